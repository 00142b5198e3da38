"""What each change was worth: grain saved or lost on the area it applied to, money, tonnes per hour.

No kilograms without a loss check, no money without a price.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property
from typing import TYPE_CHECKING

import polars as pl
from chaffinch.dashboards.report.season_data import FieldChanges, SeasonData, changes_by_field, season_data
from chaffinch.dashboards.report.season_tables import Group, by_crop, by_machine
from chaffinch.dashboards.words.shown_changes import Outcome, ShownChange
from chaffinch.dashboards.words.shown_units import Ends, units_of
from chaffinch.dashboards.words.terms import crop_label
from chaffinch.pipelines.agronomy.economics import gain, value_of_loss_per_ha
from chaffinch.pipelines.agronomy.load_tickets import with_calibration
from chaffinch.pipelines.agronomy.yields import Harvest, harvest
from chaffinch.pipelines.errors import counted
from chaffinch.pipelines.work.load_calibration import weighed_loads

if TYPE_CHECKING:
    from chaffinch.pipelines.farm import Farm
    from chaffinch.pipelines.lake import ReadableLake

# A log that pauses for longer than this many of its usual intervals was not cutting meanwhile. From memory.
LONGEST_PAUSE = 3.0


@dataclass(frozen=True, slots=True)
class Worth:
    """One change. None where unknown.

    saved_kg_ha : grain saved (above zero) or lost, kg/ha. area_ha : cut from the change to the next one, or
    to the end of the field. price_per_t : of the crop, None where farm.toml states none. t_h_before : grain
    t/h while cutting, between the change before and this one. capacity_pct : change of capacity, %. ha_h_before :
    area an hour then, NaN where it is not known. machine_per_h : as stated, else None.
    """

    machine: str
    field: str | None
    crop: str | None
    change: ShownChange
    saved_kg_ha: Ends | None
    area_ha: float
    price_per_t: float | None
    t_h_before: float
    capacity_pct: Ends | None
    ha_h_before: float = float("nan")
    machine_per_h: float | None = None

    @property
    def money_per_ha(self) -> Ends | None:
        """Grain saved, driven as before: money per hectare."""
        if self.saved_kg_ha is None or self.price_per_t is None:
            return None
        return _times(self.saved_kg_ha, float(value_of_loss_per_ha(1.0, self.price_per_t)))

    @property
    def money_per_h(self) -> Ends | None:
        """The same per hour of the work before."""
        if self.money_per_ha is None or not self.ha_h_before > 0:
            return None
        return _times(self.money_per_ha, self.ha_h_before)

    @property
    def time_per_ha(self) -> Ends | None:
        """Machine time saved if driven faster at the same loss instead: money per hectare."""
        if self.capacity_pct is None or self.machine_per_h is None or not self.ha_h_before > 0:
            return None
        middle, low, high = (
            gain(None, pct, self.ha_h_before, None, self.machine_per_h).faster_per_ha
            for pct in self.capacity_pct
        )
        return (middle, low, high) if middle is not None and low is not None and high is not None else None

    @property
    def saved_kg(self) -> Ends | None:
        if self.saved_kg_ha is None or not self.area_ha > 0:
            return None
        return _times(self.saved_kg_ha, self.area_ha)

    @property
    def money(self) -> Ends | None:
        if self.saved_kg is None or self.price_per_t is None:
            return None
        return _times(self.saved_kg, float(value_of_loss_per_ha(1.0, self.price_per_t)))

    @property
    def capacity_t_h(self) -> Ends | None:
        if self.capacity_pct is None or not self.t_h_before > 0:
            return None
        return _times(self.capacity_pct, self.t_h_before / 100)


@dataclass(frozen=True, slots=True)
class Total:
    """Changes added up. The ends of the ranges are added too: no narrower whatever their errors share."""

    changes: int
    saved_kg: Ends
    priced: int
    money: Ends


@dataclass(frozen=True)
class WeighedSeason:
    """All that a report shows: the year's tables, the changes of each field job, what each change was worth, and
    what was cut in each field job (in the order of ``by_field``)."""

    data: SeasonData
    farm: Farm
    by_field: Sequence[FieldChanges]
    worths: Sequence[Worth]
    cuts: Sequence[Harvest]

    @cached_property
    def crops(self) -> list[Group]:
        return by_crop(self.data)

    @cached_property
    def machines(self) -> list[Group]:
        return by_machine(self.data)


def weighed_season(lake: ReadableLake, year: int, farm: Farm) -> WeighedSeason:
    """Collect and weigh a year. Raises ``CallError`` where the lake holds no effect of it."""
    data = season_data(lake, year, farm)
    by_field = changes_by_field(data)
    return WeighedSeason(data, farm, by_field, *weigh(data, by_field, farm))


def weigh(
    data: SeasonData, by_field: Sequence[FieldChanges], farm: Farm
) -> tuple[list[Worth], list[Harvest]]:
    """The worth of every change with effects, and the harvest of every field job; one field in memory."""
    worths: list[Worth] = []
    cuts: list[Harvest] = []
    weighed = weighed_loads(data.lake, farm)
    for one in by_field:
        row = one.row
        logged = data.lake.readings(row["machine"], row["field"], row.get("day"))
        readings = with_durations(with_calibration(logged, weighed.of(row["machine"], one.crop)))
        cuts.append(harvest(readings, farm.market_moisture_pct(one.crop)))
        worths += _of_field(one, readings, farm)
    return worths, cuts


def with_durations(readings: pl.DataFrame) -> pl.DataFrame:
    """``readings`` by time with ``record_duration_s`` filled: time to the next reading, if that is near."""
    ordered = readings.sort("time")
    step = (pl.col("time").shift(-1) - pl.col("time")).dt.total_microseconds() / 1e6
    usual = ordered.select(step.filter((step > 0) & (step < 60)).median()).item()
    if usual is None:
        return ordered
    near = pl.when((step > 0) & (step <= LONGEST_PAUSE * usual)).then(step).otherwise(usual)
    return ordered.with_columns(pl.coalesce("record_duration_s", near).alias("record_duration_s"))


def _of_field(one: FieldChanges, readings: pl.DataFrame, farm: Farm) -> list[Worth]:
    worths = []
    for i, change in enumerate(one.changes):
        if not change.outcomes:
            continue
        before = _between(readings, one.changes[i - 1].last_time if i else None, change.time)
        after = one.changes[i + 1].time if i + 1 < len(one.changes) else None
        worths.append(
            Worth(
                one.row["machine"],
                one.row["field"],
                one.crop,
                change,
                _saved(change.outcome("machine_loss")),
                harvest(_between(readings, change.last_time, after), None).area_ha,
                farm.prices.per_t.get(one.crop or ""),
                _grain_t_h(before),
                _percent(change.outcome("capacity")),
                _ha_h(before),
                farm.prices.machine_per_h,
            )
        )
    return worths


def _between(readings: pl.DataFrame, start: datetime | None, end: datetime | None) -> pl.DataFrame:
    after = pl.lit(True) if start is None else pl.col("time") >= start
    before = pl.lit(True) if end is None else pl.col("time") < end
    return readings.filter(after & before)


def _grain_t_h(readings: pl.DataFrame) -> float:
    """Grain t/h while cutting, at the moisture of harvest; NaN where nothing was cut."""
    cut, hours = _cutting(readings)
    kg = float((cut["grain_flow_kg_s"] * cut["record_duration_s"]).sum())
    return kg / 1000 / hours if hours else float("nan")


def _ha_h(readings: pl.DataFrame) -> float:
    """Area an hour while cutting; NaN where nothing was cut or the width is not known."""
    cut, hours = _cutting(readings)
    area_ha = harvest(cut, None).area_ha
    return area_ha / hours if hours and area_ha > 0 else float("nan")


def _cutting(readings: pl.DataFrame) -> tuple[pl.DataFrame, float]:
    """Readings that cut, and their hours."""
    cut = readings.filter(pl.col("working").fill_null(True), pl.col("grain_flow_kg_s") > 0)
    return cut, float(cut["record_duration_s"].sum() or 0) / 3600


def _saved(outcome: Outcome | None) -> Ends | None:
    """Grain saved, kg/ha: the loss's change with its sign turned; None where the verdict is a refusal."""
    if outcome is None or not outcome.known or outcome.absolute_kg_ha is None:
        return None
    change, low, high = outcome.absolute_kg_ha
    return -change, -high, -low


def _percent(outcome: Outcome | None) -> Ends | None:
    if outcome is None or not outcome.known:
        return None
    return float(outcome.percent or 0), float(outcome.low or 0), float(outcome.high or 0)


def _times(ends: Ends, factor: float) -> Ends:
    return ends[0] * factor, ends[1] * factor, ends[2] * factor


def total(worths: Sequence[Worth]) -> Total:
    """Add up, clear or not, so that no choice by result flatters the sum."""
    kg = [w.saved_kg for w in worths if w.saved_kg is not None]
    money = [w.money for w in worths if w.money is not None]
    return Total(len(kg), _added(kg), len(money), _added(money))


def _added(parts: Sequence[Ends]) -> Ends:
    return sum(p[0] for p in parts), sum(p[1] for p in parts), sum(p[2] for p in parts)


def lacking(worths: Sequence[Worth], farm: Farm) -> list[str]:
    """Sentences: what is missing for the worth of a change, and how to add it."""
    sentences = []
    machines = sorted({w.machine for w in worths})
    without = [m for m in machines if not any(w.saved_kg_ha for w in worths if w.machine == m)]
    if without:
        sentences.append(
            f"No loss check calibrates the loss signals of {', '.join(without)}: changes in % only. "
            f"One loss check per field and day gives {units_of(farm, None).mass_per_area[1]}."
        )
    unpriced = sorted({crop_label(w.crop) for w in worths if w.saved_kg and w.price_per_t is None})
    if unpriced:
        sentences.append(
            f"farm.toml has no price for {', '.join(unpriced)}: no money is given. Add it under [prices], per_t."
        )
    refused = sum(w.saved_kg_ha is None and w.machine not in without for w in worths)
    if refused:
        sentences.append(
            f"{counted(refused, 'change')} on machines with loss checks could not be calibrated; "
            "the list of changes says why."
        )
    bare = sum(w.saved_kg_ha is not None and not w.area_ha > 0 for w in worths)
    if bare:
        sentences.append(
            f"{counted(bare, 'change')} without an area: speed or working width is missing in the log."
        )
    return sentences
