"""Estimate: what each adjustment did, with a range that can be believed.

``estimate_effects`` is the stage: binned machine-fields in, rows of ``effects`` out. ``refresh_effects`` feeds
it from a lake, one machine-field in memory at a time.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import partial
from typing import TYPE_CHECKING, Any, TypeVar

import polars as pl
from chaffinch.pipelines.agronomy.load_tickets import with_calibration
from chaffinch.pipelines.estimate.clocks.average import over_likely_clocks
from chaffinch.pipelines.estimate.clocks.by_responses import clock_offsets, on_one_clock
from chaffinch.pipelines.estimate.data.bins import Binned, bin_work
from chaffinch.pipelines.estimate.data.changes import made_at, real_adjustments
from chaffinch.pipelines.estimate.model.feed_noise import flow_noise, without_sensor_noise
from chaffinch.pipelines.estimate.model.season_fit import fit_season
from chaffinch.pipelines.estimate.results.calibration import (
    Calibration,
    MachineCrop,
    calibrate_all,
    check_pairs,
)
from chaffinch.pipelines.estimate.results.crop_entered import of_all_that_entered
from chaffinch.pipelines.estimate.results.effects_table import Unanswered, effects_table
from chaffinch.pipelines.estimate.results.pooled_rows import Diameters
from chaffinch.pipelines.estimate.results.signal_weights import allowing_for_weights, in_likely_units
from chaffinch.pipelines.parallel.fan_out import FanOut, one_by_one
from chaffinch.pipelines.parallel.processes import through_processes
from chaffinch.pipelines.work import machine_delays, mark_work
from chaffinch.pipelines.work.delays.known_delays import FieldKey
from chaffinch.pipelines.work.delays.lag import Delays, pool

if TYPE_CHECKING:
    import numpy as np
    from chaffinch.pipelines.agronomy.load_tickets import FlowCalibration
    from chaffinch.pipelines.estimate.data.kept_fields import KeptFields
    from chaffinch.pipelines.farm import Farm
    from chaffinch.pipelines.lake import ReadableLake
    from chaffinch.pipelines.work.load_calibration import WeighedLoads

LONGEST_REST_DAYS = 30
# No crop is longer under way from header to sensor than this.
LONGEST_DELAY_S = 600

R = TypeVar("R")


def estimate_effects(
    fields: Sequence[Binned],
    calibrations: Mapping[MachineCrop, Calibration] | None = None,
    unanswered: Sequence[Unanswered] = (),
    diameters_m: Diameters | None = None,
    each: FanOut = one_by_one,
) -> pl.DataFrame:
    """Effects of all adjustments of a season, rows of the ``effects`` contract (``computed_at`` null).

    fields : machine-fields after ``bin_work``. calibrations : by machine and crop, from loss checks (kernels of
    another crop strike a sensor with another force). unanswered : machine-fields without usable work.
    diameters_m : of drums and rotors, by setting and machine, so that their speeds pool over machines.
    Where what the changes did shows the clock of a settings log to be off, they are moved and all is fitted
    again; where it leaves the clock in doubt, effects are averaged over the likely offsets. ``each`` spreads what
    is fitted over outcomes.
    """
    if not any(f.changes for f in fields):
        return effects_table([], {}, {}, unanswered)
    fields = of_all_that_entered(in_likely_units(fields), calibrations or {})
    season = fit_season(fields, each)
    clocks = clock_offsets(fields, season)
    if any(clock.sure for clock in clocks.values()):
        fields = [
            on_one_clock(f, clocks[f.machine].seconds)
            if f.machine in clocks and clocks[f.machine].sure
            else f
            for f in fields
        ]
        season = fit_season(fields, each)
    season = {name: over_likely_clocks(outcome, clocks) for name, outcome in season.items()}
    with_changes = [f for f in fields if f.changes]
    return effects_table(
        with_changes, allowing_for_weights(season), calibrations or {}, unanswered, diameters_m, clocks
    )


def prepare(
    readings: pl.DataFrame,
    adjustments: pl.DataFrame,
    checks: pl.DataFrame | None = None,
    delays: Delays | None = None,
) -> tuple[Binned | None, np.ndarray]:
    """One machine-field from readings to bins, and what its loss checks say of its signals (``check_pairs``).

    readings : rows of one machine-field. adjustments : real adjustments of its machine. checks : loss checks of
    the machine-field with ``machine_loss_kg_ha`` known. delays : from header to sensors; read off ``readings``
    alone where they are not given.
    """
    import numpy as np

    ordered = readings.sort("time", maintain_order=True)
    delays = delays or machine_delays(ordered)
    marked = mark_work(ordered, delays)
    binned = bin_work(marked, adjustments, delays.loss.seconds)
    if binned is not None:
        binned = without_sensor_noise(binned, flow_noise(marked))
    if checks is None or checks.height == 0:
        return binned, np.empty((0, 3))
    return binned, check_pairs(marked, checks, delays.loss.seconds)


def _harvests(readings: pl.DataFrame) -> list[pl.DataFrame]:
    """Readings of one machine-field parted where work rested for over a month: another harvest, another crop."""
    ordered = readings.sort("time", maintain_order=True)
    rested = (pl.col("time").diff() > pl.duration(days=LONGEST_REST_DAYS)).fill_null(False).cum_sum()
    return ordered.with_columns(rested.alias("_harvest")).partition_by(
        "_harvest", include_key=False, maintain_order=True
    )


def _unanswered(readings: pl.DataFrame, adjustments: pl.DataFrame) -> Unanswered:
    """Adjustments made while a machine-field without usable work was logged."""

    def known(name: str) -> bool:
        return name in readings.columns and readings[name].count() > 0

    places = [p for p in ("separation_loss", "cleaning_loss") if known(f"{p}_signal") or known(f"{p}_kg_s")]
    flowing = known("grain_flow_kg_s")
    during = pl.col("time").is_between(readings["time"].min(), readings["time"].max())
    return Unanswered(
        machine=readings["machine"][0],
        field=readings["field"][0],
        crop=readings["crop"].drop_nulls()[0] if known("crop") else None,
        adjustments=adjustments.filter(during),
        outcomes=(*places, *(["machine_loss"] if len(places) == 2 else []), "throughput", "capacity"),
        reason="no_readings" if flowing else "no_grain_flow",
    )


def _weighed_checks(checks: pl.DataFrame, farm: Farm, machine: str, crop: str | None) -> pl.DataFrame:
    """Loss checks of a machine as kg/ha, a count without its own kernel mass by that of the crop."""
    from chaffinch.pipelines.agronomy.loss_checks import loss_check_kg_ha

    stated = farm.machines.get(machine)
    return loss_check_kg_ha(
        checks,
        thousand_kernel_mass_g=farm.thousand_kernel_mass_g(crop),
        cut_width_m=stated.width_m if stated else None,
    ).drop_nulls("machine_loss_kg_ha")


@dataclass(frozen=True, slots=True)
class _Season:
    """What preparing any machine-field of a lake needs beside its readings. ``changes``: by machine.
    ``delays``: of each harvest of a machine-field, pooled over the machine's days."""

    lake: ReadableLake
    farm: Farm
    changes: Mapping[str, pl.DataFrame]
    no_changes: pl.DataFrame
    checks: pl.DataFrame
    weighed: WeighedLoads
    delays: Mapping[FieldKey, Sequence[Delays]]

    def prepare(self, row: Mapping[str, Any]) -> list[tuple[Binned | Unanswered, MachineCrop, np.ndarray]]:
        """The harvests of the machine-field in ``row`` of ``machine_fields``, each with its loss checks' pairs."""
        machine, crop = row["machine"], row["crop"]
        changes, near, calibration = self._beside(row)
        done: list[tuple[Binned | Unanswered, MachineCrop, np.ndarray]] = []
        harvests = _harvests(self.lake.readings(machine, row["field"], row.get("day")))
        for readings, delays in zip(harvests, self.delays[_key(row)], strict=True):
            readings = with_calibration(readings, calibration)
            binned, found = prepare(readings, changes, near, delays)
            if binned is None:
                done.append((_unanswered(readings, changes), (machine, crop), found))
            else:
                done.append((binned, (machine, binned.crop), found))
        return done

    def beside_readings(self, row: Mapping[str, Any]) -> list[Any]:
        """All but its readings that ``prepare`` makes the machine-field in ``row`` from, as JSON takes it."""
        from chaffinch.pipelines.estimate.data.kept_fields import told

        return [told(part) for part in (row["crop"], *self._beside(row), list(self.delays[_key(row)]))]

    def _beside(self, row: Mapping[str, Any]) -> tuple[pl.DataFrame, pl.DataFrame, FlowCalibration | None]:
        """Of the machine in ``row``: its changes and weighed loss checks during the work, its flow's calibration.

        Nothing else is in them, so that what was prepared stands as long as they do.
        """
        machine, crop = row["machine"], row["crop"]
        first, last = row["first_time"], row["last_time"]
        changes = self.changes.get(machine, self.no_changes)
        during = changes["time"].is_between(first, last) | made_at(changes).is_between(first, last)
        # Crop that is weighed was cut a delay earlier.
        late = timedelta(seconds=LONGEST_DELAY_S)
        mine = self.checks.filter(
            pl.col("machine") == machine, pl.col("time").is_between(first - late, last + late)
        )
        near = _weighed_checks(mine, self.farm, machine, crop).select("time", "machine_loss_kg_ha")
        # Which file they came in, and where in it, decides nothing any more but the order of what is simultaneous.
        seen = changes.filter(during).drop("delivery", "file", "row", strict=False).with_row_index("row")
        return seen, near, self.weighed.of(machine, crop)


def refresh_effects(
    lake: ReadableLake,
    farm: Farm,
    each: FanOut = one_by_one,
    delays: Mapping[FieldKey, Sequence[Delays]] | None = None,
    kept: KeptFields | None = None,
) -> pl.DataFrame:
    """Effects of everything in the lake, rows of the ``effects`` contract, computed now.

    delays : of every machine-field, as of ``season_delays``, which is asked where they are not given. kept :
    machine-fields that were prepared before are taken from there, others are put there.
    ``each`` spreads preparing over machine-fields, and outcomes, each fitted to all of them together.
    """
    from chaffinch.pipelines.work.load_calibration import weighed_loads

    adjustments = lake.scan("adjustments").collect()
    changes = {str(name[0]): real_adjustments(rows) for name, rows in adjustments.group_by("machine")}
    checks = lake.scan("loss_checks").collect()
    weighed, delays = weighed_loads(lake, farm), delays or season_delays(lake, each, kept)
    season = _Season(lake, farm, changes, adjustments.clear(), checks, weighed, delays)
    rows = lake.machine_fields().sort("machine", "field", "first_time").to_dicts()
    fields: list[Binned] = []
    unanswered: list[Unanswered] = []
    pairs: dict[MachineCrop, list[np.ndarray]] = defaultdict(list)
    for harvests in _through(kept, each, "prepare", season.prepare, rows, season.beside_readings):
        for harvest, of, found in harvests:
            if not isinstance(harvest, Binned):
                unanswered.append(harvest)
                continue
            fields.append(harvest)
            # Checks beside losses that are logged in kg/s say nothing of signals in units of their own.
            if not harvest.calibrated:
                pairs[of].append(found)
    effects = estimate_effects(fields, calibrate_all(pairs), unanswered, farm.diameters_m(), each)
    return effects.with_columns(pl.lit(datetime.now(UTC)).cast(pl.Datetime("us", "UTC")).alias("computed_at"))


def season_delays(
    lake: ReadableLake, each: FanOut = one_by_one, kept: KeptFields | None = None
) -> dict[FieldKey, list[Delays]]:
    """Delays of every harvest of every machine-field of a lake, those of one machine drawn together.

    A harvest that can't tell gets its machine's. ``each`` spreads the work over machine-fields; kept : as for
    ``refresh_effects``.
    """
    rows = lake.machine_fields().sort("machine", "field", "first_time").to_dicts()

    found: dict[str, dict[tuple[FieldKey, int], Delays]] = defaultdict(dict)
    for row, told in zip(
        rows, _through(kept, each, "find delays", partial(_find_delays, lake), rows), strict=True
    ):
        found[row["machine"]].update({(_key(row), k): delays for k, delays in enumerate(told)})
    pooled: dict[FieldKey, list[Delays]] = defaultdict(list)
    for of_machine in found.values():
        for (key, _), delays in pool(of_machine).items():
            pooled[key].append(delays)
    return dict(pooled)


def _find_delays(lake: ReadableLake, row: Mapping[str, Any]) -> list[Delays]:
    """Delays of each harvest of a row of ``machine_fields``."""
    here = lake.readings(row["machine"], row["field"], row.get("day"))
    return [machine_delays(readings) for readings in _harvests(here)]


def _through(
    kept: KeptFields | None,
    each: FanOut,
    what: str,
    do: Callable[[dict[str, Any]], R],
    rows: Sequence[dict[str, Any]],
    beside_readings: Callable[[dict[str, Any]], list[Any]] = lambda row: [],
) -> Iterator[R]:
    """What ``do`` makes of each row of ``machine_fields`` from its readings and what is ``beside_readings``."""

    def work(rows: Sequence[dict[str, Any]]) -> Iterator[R]:
        return through_processes(each, what, do, rows, _machine_field_name)

    if kept is None:
        return work(rows)
    return kept.through(what, work, rows, lambda row: [kept.readings(row), beside_readings(row)])


def _key(row: Mapping[str, Any]) -> FieldKey:
    return row["machine"], row["field"], row.get("day")


def _machine_field_name(row: Mapping[str, Any]) -> str:
    return f"{row['machine']}, {row['field'] or row['day']}"
