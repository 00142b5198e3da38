"""Grain flow and losses derived from what a device logs in place of them.

The dictionary has yield and loss by area, by volume and by piece, at reference moisture, and as a share. With
the width and speed of the machine, the density of the crop, the mass of its kernels and its moisture they are
flows of wet grain [kg/s]. Identifiers and units are those of ISO 11783-11.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from chaffinch.pipelines.array_types import Array, HeldColumn
from chaffinch.pipelines.ingest.task_data.files.dictionary import identifiers
from chaffinch.pipelines.ingest.task_data.files.task_objects import Device, TaskFile
from chaffinch.pipelines.ingest.task_data.records.columns import LogColumn
from chaffinch.pipelines.ingest.task_data.records.log_reading import LogData
from chaffinch.pipelines.ingest.task_data.records.scaling import Scale, choose

VOLUME_BY_AREA, MASS_BY_AREA, VOLUME_FLOW, CROP_MASS = 83, 84, 86, 90
LOST_VOLUME_BY_AREA, LOST_MASS_BY_AREA, LOST_PIECES_BY_AREA = 92, 93, 94
LOST_VOLUME_FLOW, LOST_PIECE_FLOW, LOST_SHARE = 95, 97, 98
DERIVED_LOSSES = frozenset(
    (
        LOST_VOLUME_BY_AREA,
        LOST_MASS_BY_AREA,
        LOST_PIECES_BY_AREA,
        LOST_VOLUME_FLOW,
        LOST_PIECE_FLOW,
        LOST_SHARE,
    )
)
DENSITY, THOUSAND_MASS = 121, 122
DRY_BY_AREA, DRY_FLOW, REFERENCE_MOISTURE = 181, 182, 184
DERIVED_FLOWS = (VOLUME_BY_AREA, MASS_BY_AREA, VOLUME_FLOW, DRY_BY_AREA, DRY_FLOW)
DRY_MATTER = 314
LONGEST_STEP_S = 10.0


def is_derived(column: LogColumn) -> bool:
    """Whether a loss column needs more than a unit to feed its channel, and ``farm.toml`` states none."""
    return column.place.identifier in DERIVED_LOSSES and column.stated_unit is None


@dataclass(frozen=True, slots=True)
class Known:
    """What one log holds under each identifier, in the unit of the dictionary; ``data``: its channels so far."""

    log: LogData
    scales: Sequence[Scale | None]
    held: HeldColumn
    device: Device | None
    task_file: TaskFile
    data: dict[str, Array]
    speed_m_s: Array | None

    def under(self, number: int) -> Array | None:
        """(N,) values of an identifier: logged, else fixed in the description of the device."""
        found = [
            i
            for i, column in enumerate(self.log.columns)
            if column.place.identifier == number and len(self.log.rows[i]) and self.scales[i] is not None
        ]
        if found:
            own = [i for i in found if self.is_own(self.log.columns[i])]
            return self.by_column((own or found)[0])
        fixed = self._fixed(number)
        return None if fixed is None else np.full(len(self.log), fixed)

    def by_column(self, index: int) -> Array:
        scale = self.scales[index]
        assert scale is not None
        return scale.apply(self.held(index))

    @property
    def area_rate_m2_s(self) -> Array | None:
        if "working_width_m" not in self.data or self.speed_m_s is None:
            return None
        return self.data["working_width_m"] * np.abs(self.speed_m_s)

    def is_own(self, column: LogColumn) -> bool:
        return self.device is None or column.element is None or column.element.device == self.device.id

    def _fixed(self, number: int) -> float | None:
        for name in self.device.elements if self.device is not None else ():
            value = self.task_file.elements[name].fixed.get(number)
            if value is not None and value.raw:
                raw = np.array([float(value.raw)])
                scale = choose(identifiers().get(number), value.presentation, None, raw)
                return None if scale is None else float(scale.apply(raw)[0])
        return None


def grain_flow_kg_s(known: Known) -> tuple[Array, str] | None:
    """Wet grain flow where the log does not hold it directly, and what it was derived from."""
    rate, density = known.area_rate_m2_s, known.under(DENSITY)
    flow = known.under(DRY_FLOW)
    if flow is not None and (share := _wet_over_dry(known)) is not None:
        return 1e-6 * flow * share, "the flow at reference moisture"
    flow = known.under(VOLUME_FLOW)
    if flow is not None and density is not None:
        return 1e-9 * flow * density, "volume flow and density"
    by_area = known.under(MASS_BY_AREA)
    if by_area is not None and rate is not None:
        return 1e-6 * by_area * rate, "yield by area, width and speed"
    by_area = known.under(DRY_BY_AREA)
    if by_area is not None and rate is not None and (share := _wet_over_dry(known)) is not None:
        return 1e-6 * by_area * rate * share, "yield by area at reference moisture, width and speed"
    by_area = known.under(VOLUME_BY_AREA)
    if by_area is not None and rate is not None and density is not None:
        return 1e-9 * by_area * rate * density, "volume by area, density, width and speed"
    return _growth(known, CROP_MASS)


def _wet_over_dry(known: Known) -> Array | None:
    """(1 - reference moisture) / (1 - moisture), moistures as shares, wet basis: mass balance of dry matter."""
    reference = known.under(REFERENCE_MOISTURE)
    if reference is None or "grain_moisture_pct" not in known.data:
        return None
    dry_share = 1 - known.data["grain_moisture_pct"] / 100
    dry_share = np.where(dry_share > 0, dry_share, np.nan)
    return (1 - 1e-6 * reference) / dry_share


def _growth(known: Known, number: int) -> tuple[Array, str] | None:
    """Flow by the growth of a total [kg] that the machine itself counts; NaN over resets and long steps."""
    for i, column in enumerate(known.log.columns):
        rows, scale = known.log.rows[i], known.scales[i]
        if column.place.identifier != number or len(rows) < 3 or scale is None or not known.is_own(column):
            continue
        rate = _growth_rate(known.log.local_us[rows] / 1e6, scale.apply(known.log.values[i]))
        following = np.searchsorted(rows, np.arange(len(known.log)), side="left")
        flow = np.append(rate, np.nan)[following]
        return (flow, "the growth of the crop mass total") if (flow > 0).any() else None
    return None


def _growth_rate(seconds: Array, counts: Array) -> Array:
    """(M,) growth a second that led to each count: from one change of the counter to the next.

    Counters step in whole kilograms, some every few seconds only. One that rests for ten seconds rests: its
    rate is 0 until it moves.
    """
    changed = np.flatnonzero(np.diff(counts) != 0) + 1
    rate = np.full(len(counts), np.nan)
    if not len(changed):
        return rate
    before = np.append(0, changed[:-1])
    with np.errstate(divide="ignore", invalid="ignore"):
        between = (counts[changed] - counts[before]) / (seconds[changed] - seconds[before])
        last_step_s = seconds[changed] - seconds[changed - 1]
        at_change = np.where(
            last_step_s <= LONGEST_STEP_S, (counts[changed] - counts[changed - 1]) / last_step_s, np.nan
        )
    rested = seconds[changed] - seconds[before] > LONGEST_STEP_S
    place = np.arange(len(counts))
    leads_to = np.searchsorted(changed, place)
    inside = leads_to < len(changed)
    change = leads_to[inside]
    at_rest = np.where(place[inside] == changed[change], at_change[change], 0.0)
    rate[inside] = np.where(rested[change], at_rest, between[change])
    rate[0] = np.nan
    if seconds[-1] - seconds[changed[-1]] > LONGEST_STEP_S:
        rate[changed[-1] + 1 :] = 0.0
    return np.where(np.isfinite(rate) & (rate >= 0), rate, np.nan)


def losses(known: Known) -> dict[str, tuple[Array, str, int]]:
    """Channel -> values, what they were derived from, and the column, for losses not logged as a mass flow.

    Loss goes to the place (separation, cleaning) that the column's target names. Without the density or the
    mass of kernels that a flow in kg/s takes, it is a relative signal.
    """
    found: dict[str, tuple[Array, str, int]] = {}
    for index, column in enumerate(known.log.columns):
        number, target = column.place.identifier, column.target
        if not is_derived(column) or number is None or not target or known.scales[index] is None:
            continue
        if not len(known.log.rows[index]) or target in known.data:
            continue
        worked = _loss_kg_s(known, index, number)
        if worked is not None and target.endswith("_kg_s"):
            found.setdefault(target, (*worked, index))
            continue
        signal = target.replace("_loss_kg_s", "_loss_signal")
        flow = _by_time(known, index, number)
        if flow is not None and signal not in known.data:
            found.setdefault(signal, (*flow, index))
    return found


def _by_time(known: Known, index: int, number: int) -> tuple[Array, str] | None:
    """A loss as what is lost in a second, in whatever it is counted; None where that is not known."""
    values = known.by_column(index)
    if number in (LOST_VOLUME_FLOW, LOST_PIECE_FLOW):
        return values, "the lost flow as logged"
    if number == LOST_SHARE:
        flow = known.data.get("grain_flow_kg_s")
        return (
            (values, "the lost share as logged") if flow is None else (values * flow, "lost share and flow")
        )
    rate = known.area_rate_m2_s
    return None if rate is None else (values * rate, "loss by area, width and speed")


def _loss_kg_s(known: Known, index: int, number: int) -> tuple[Array, str] | None:
    if number == LOST_SHARE:
        flow = known.data.get("grain_flow_kg_s")
        if flow is None:
            return None
        share = 1e-6 * known.by_column(index)
        lost = np.where(
            (share >= 0) & (share < 1), flow * share / np.where(share < 1, 1 - share, 1.0), np.nan
        )
        return lost, "the lost share and grain flow"
    by_time = _by_time(known, index, number)
    if by_time is None:
        return None
    values, how = by_time
    if number == LOST_MASS_BY_AREA:
        return 1e-6 * values, how
    if number in (LOST_VOLUME_BY_AREA, LOST_VOLUME_FLOW):
        density = known.under(DENSITY)
        return None if density is None else (1e-9 * values * density, f"{how}, and density")
    thousand = known.under(THOUSAND_MASS)
    return None if thousand is None else (1e-9 * values * thousand, f"{how}, and the mass of kernels")
