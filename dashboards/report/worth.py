"""What the settings now in force are worth against those before, per hectare, by machine, crop and setting.

No kilograms without a loss check, no money without a price. Nothing is added up: a change and its reversal cancel,
and what two settings save together is not what each saves alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import polars as pl
from chaffinch.dashboards.report.season_data import FieldChanges, SeasonData, changes_by_field, season_data
from chaffinch.dashboards.report.season_tables import Group, by_crop, by_machine
from chaffinch.dashboards.words import terms as words
from chaffinch.dashboards.words.begun_trials import begun_trials
from chaffinch.dashboards.words.machine_lines import MachineLines, machine_lines, not_known
from chaffinch.dashboards.words.money import saving_of
from chaffinch.dashboards.words.next_season import Advice, advice_of
from chaffinch.dashboards.words.settings_now import SettingLine
from chaffinch.dashboards.words.shown_changes import Outcome
from chaffinch.dashboards.words.shown_units import Ends, units_of
from chaffinch.dashboards.words.terms import crop_label
from chaffinch.pipelines.agronomy.economics import Saving
from chaffinch.pipelines.agronomy.load_tickets import with_calibration
from chaffinch.pipelines.agronomy.yields import Harvest, harvest
from chaffinch.pipelines.farm import Farm
from chaffinch.pipelines.lake import ReadableLake
from chaffinch.pipelines.trials.answers.standing import Standing, standings
from chaffinch.pipelines.trials.answers.worth_trying import Suggestion, suggestions
from chaffinch.pipelines.work.load_calibration import weighed_loads

# A log that pauses for longer than this many of its usual intervals was not cutting meanwhile. From memory.
LONGEST_PAUSE = 3.0


@dataclass(frozen=True, slots=True)
class Worth:
    """The settings of one line on one machine in one crop, now against before. None where unknown.

    loss : the effect on machine loss. capacity : at the same loss, %. t_h : mean grain feed rate.
    """

    machine: str
    crop: str | None
    line: SettingLine
    loss: Outcome | None
    capacity: Outcome | None
    saving: Saving | None
    t_h: float | None

    @property
    def saved_kg_ha(self) -> Ends | None:
        """Grain saved, kg/ha: the loss's change with its sign turned; None where the verdict is a refusal."""
        if self.loss is None or not self.loss.known or self.loss.absolute_kg_ha is None:
            return None
        change, low, high = self.loss.absolute_kg_ha
        return -change, -high, -low

    @property
    def capacity_t_h(self) -> Ends | None:
        """Capacity gained at the same loss, t/h."""
        one = self.capacity
        if one is None or not one.known or not self.t_h:
            return None
        return tuple(float(pct or 0) * self.t_h / 100 for pct in (one.percent, one.low, one.high))  # type: ignore[return-value]


@dataclass(frozen=True)
class WeighedSeason:
    """All that a report shows: the year's tables, the changes of each field job, the lines of each machine in a crop,
    what the settings now in force are worth, and what was cut in each field job (in the order of ``by_field``)."""

    data: SeasonData
    farm: Farm
    by_field: Sequence[FieldChanges]
    lines: Sequence[MachineLines]
    worths: Sequence[Worth]
    cuts: Sequence[Harvest]

    @cached_property
    def advice(self) -> list[Advice]:
        suggested = not_known(_suggested(self.data, self.farm), self.lines)
        return advice_of(self.data.responses, self.lines, suggested, self.farm, begun_trials(self._standings))

    @property
    def trials(self) -> list[Standing]:
        """Those of which something was done in the year, with answers from its readings alone."""
        return [one for one in self._standings if one.worked_on_in(self.data.year)]

    @cached_property
    def _standings(self) -> list[Standing]:
        data = self.data
        machines = data.where["machine"].unique().sort().to_list()
        return standings(data.lake.scan("trials").collect(), data.effects, machines)

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
    lines = machine_lines(data.effects, data.loss_curves, data.adjustments)
    return WeighedSeason(data, farm, by_field, lines, worths_of(lines, farm), cuts_of(data, by_field, farm))


def _suggested(data: SeasonData, farm: Farm) -> list[Suggestion]:
    """Trials that would pay."""
    from chaffinch.pipelines.trials.design.planned_trial import binned_fields

    if data.responses.is_empty():
        return []
    return suggestions(data.responses, binned_fields(data.lake, farm), farm)


def worths_of(lines: Sequence[MachineLines], farm: Farm) -> list[Worth]:
    """The worth of every setting on every machine in every crop, that of most money first.

    A setting that is back where it began is worth nothing, and is left out; so are changes without an answer.
    """
    worths = [
        found
        for one in lines
        for line, curve in zip(one.lines, one.curves, strict=True)
        if (found := _worth_of_line(one.machine, one.crop, line, curve, farm)) is not None
    ]
    return sorted(worths, key=_rank)


def cuts_of(data: SeasonData, by_field: Sequence[FieldChanges], farm: Farm) -> list[Harvest]:
    """What was cut in each field job, in the order of ``by_field``."""
    cuts = []
    weighed = weighed_loads(data.lake, farm)
    for one in by_field:
        row = one.row
        logged = data.lake.readings(row["machine"], row["field"], row.get("day"))
        readings = with_durations(with_calibration(logged, weighed.of(row["machine"], one.crop)))
        cuts.append(harvest(readings, farm.of_crop("market_moisture_pct", one.crop)))
    return cuts


def _rank(one: Worth) -> tuple[Any, ...]:
    money = one.saving.per_ha if one.saving else None
    kg = one.saved_kg_ha[0] if one.saved_kg_ha else None
    return (money is None, -(money or 0.0), kg is None, -(kg or 0.0), one.machine, one.line.title)


def _worth_of_line(
    machine: str, crop: str | None, line: SettingLine, curve: dict[str, Any] | None, farm: Farm
) -> Worth | None:
    """None for a line that is undone or has no answer."""
    if line.undone or not any(o.known for o in line.outcomes):
        return None
    loss, capacity = line.outcome("machine_loss"), line.outcome("capacity")
    saved = saving_of(loss, curve, crop, farm)
    return Worth(machine, crop, line, loss, capacity, saved, curve["feed_t_h"] if curve else None)


def with_durations(readings: pl.DataFrame) -> pl.DataFrame:
    """``readings`` by time with ``record_duration_s`` filled: time to the next reading, if that is near."""
    ordered = readings.sort("time")
    step = (pl.col("time").shift(-1) - pl.col("time")).dt.total_microseconds() / 1e6
    usual = ordered.select(step.filter((step > 0) & (step < 60)).median()).item()
    if usual is None:
        return ordered
    near = pl.when((step > 0) & (step <= LONGEST_PAUSE * usual)).then(step).otherwise(usual)
    return ordered.with_columns(pl.coalesce("record_duration_s", near).alias("record_duration_s"))


def lacking(worths: Sequence[Worth], farm: Farm) -> list[str]:
    """Sentences: what is missing for the worth of settings, and how to add it."""
    sentences = []
    machines = sorted({w.machine for w in worths})
    without = [m for m in machines if not any(w.saved_kg_ha for w in worths if w.machine == m)]
    if without:
        sentences.append(
            f"No loss check calibrates the loss signals of {words.listed(without)}: what was lost is not known in "
            f"{units_of(farm, None).mass_per_area[1]}. One loss check per field and day would show it."
        )
    prices = farm.prices.per_t
    unpriced = sorted({crop_label(w.crop) for w in worths if w.saved_kg_ha and (w.crop or "") not in prices})
    if unpriced:
        sentences.append(
            f"farm.toml has no price for {', '.join(unpriced)}: no money is given. Add it under [prices], per_t."
        )
    if any(w.saving is not None and w.saving.by == "grain" for w in worths):
        sentences.append(
            "farm.toml states no cost of a machine hour: money counts the grain saved at the same feed rate, not the "
            "time saved by driving faster. Add it under [prices], machine_per_h."
        )
    return sentences
