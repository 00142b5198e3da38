"""What to do next season: the rows of the report's advice, what they mean, and all of it in short."""

from __future__ import annotations

from chaffinch.dashboards.paper.blocks import Cell, GridColumn, cell, quiet, strong
from chaffinch.dashboards.report.fields_part import sized
from chaffinch.dashboards.report.worth import WeighedSeason
from chaffinch.dashboards.words import terms as words
from chaffinch.dashboards.words.confidence import DEFINITION, chance_in_words, confidence
from chaffinch.dashboards.words.money import MEANING
from chaffinch.dashboards.words.next_season import CHANGE_IT, IN_TRIAL, KEEP_IT, STILL_OPEN, Advice
from chaffinch.dashboards.words.shown_units import amount, units_of, with_range
from chaffinch.pipelines.agronomy.economics import Saving
from chaffinch.pipelines.errors import counted
from chaffinch.pipelines.farm import Farm

# Of each kind of advice on the first page; the annex and the sheets have all.
MOST_ADVICE = {CHANGE_IT: 8, KEEP_IT: 6, IN_TRIAL: 4, STILL_OPEN: 4}
BANDS = {
    CHANGE_IT: "Change: the other value likely loses less",
    KEEP_IT: "Keep: the present value likely loses less than the one before",
    IN_TRIAL: "In a trial: finish it, then decide",
    STILL_OPEN: "Open: neither value is likely better yet",
}


def advice_columns(farm: Farm) -> list[GridColumn]:
    """Of a table of ``advice_cells``."""
    return [
        GridColumn("Setting", 3.6),
        GridColumn("Machine, crop", 1.3),
        GridColumn(f"Grain saved, {units_of(farm, None).mass_per_area[1]}", 1.3, right=True),
        GridColumn(f"Money, {units_of(farm, None).money_per_area(farm.prices.currency)[1]}", 1.4, right=True),
        GridColumn("Chance", 1.2),
        GridColumn("Next trial", 2.1),
    ]


def advice_cells(one: Advice, farm: Farm) -> list[Cell]:
    """One row: the setting with its values, kg/ha, money, how sure, and the next trial."""
    units = units_of(farm, one.crop)
    saved = one.saved_kg_ha
    tone = one.outcome.tone if one.outcome and one.outcome.tone != "unclear" else ""
    lead = (_loss(one), tone) if one.outcome and one.outcome.known else quiet("cannot tell yet")
    costs = quiet(f"but {'; '.join(one.costs)}" if one.costs else "")
    return [
        cell(strong(one.title), lead, costs),
        cell(one.machine, quiet(words.crop_label(one.crop))),
        _two_lines(with_range(saved, (units.mass_per_area[0], "")) if saved else "–"),
        _two_lines(money_range(one.saving, one.crop, farm) if one.saving else "–"),
        cell(_chance(one)),
        cell(next_trial(one) or "–"),
    ]


def _loss(one: Advice) -> str:
    """With how sure it is, where the chance of the row has another word."""
    outcome = one.outcome
    assert outcome is not None
    sure = confidence(outcome.chance_less) if outcome.chance_less is not None else None
    if sure is None or one.chance is None or sure.word == confidence(one.chance).word:
        return sized(outcome)
    return f"{sized(outcome)}, {sure.text}"


def money_range(saving: Saving, crop: str | None, farm: Farm) -> str:
    """``+6.5 (+4.1 to +8.9)``: per area, plus is saved."""
    factor, _ = units_of(farm, crop).money_per_area(farm.prices.currency)
    return with_range((saving.per_ha, saving.low, saving.high), (factor, ""))


def _two_lines(text: str) -> Cell:
    head, _, ends = text.partition(" (")
    return cell(strong(head.strip(f" {words.NARROW}")), quiet(f"({ends}") if ends else "")


def _chance(one: Advice) -> str:
    if one.chance is None:
        return "–"
    return chance_in_words(max(one.chance, 1 - one.chance))


def next_trial(one: Advice) -> str:
    """``1000 against 950 rpm: 2.4 h, 14 switches``, and how the one begun stands; empty where none would pay."""
    planned = ""
    if one.trial is not None:
        unit = f"{words.NARROW}{one.unit}" if one.unit else ""
        switches = counted(one.trial.switches, "switch", "switches")
        values = f"{one.trial.value:g} against {one.trial.value_in_use:g}{unit}"
        planned = f"{values}: {one.trial.hours:.1f}{words.NARROW}h, {switches}"
    return "; ".join(filter(None, [one.begun.words if one.begun else "", planned]))


def explained(season: WeighedSeason, left: int) -> str:
    kinds = {one.saving.by for one in season.advice if one.saving}
    main = [MEANING[kind] for kind in ("both", "grain") if kind in kinds]
    parts = [
        *main,
        *([("where grain can't be valued, " if main else "") + MEANING["time"]] if "time" in kinds else []),
    ]
    money = f" Money: {'; '.join(parts)}." if parts else ""
    more = f" {counted(left, 'row')} more in annex A." if left else ""
    return (
        f"Plus is saved; numbers in parentheses are 95{words.NARROW}% ranges.{money} Chance: that it pays, or where "
        f"no money is known, that the loss falls. {DEFINITION}{more}"
    )


def in_short(season: WeighedSeason) -> str:
    """How much there is to do, and what is worth most: on one machine, over the area that it cut."""
    counts = {do: sum(one.do == do for one in season.advice) for do in MOST_ADVICE}
    told = [
        f"change {counted(counts[CHANGE_IT], 'setting')}" if counts[CHANGE_IT] else "",
        f"keep {counts[KEEP_IT]} as set" if counts[KEEP_IT] else "",
        f"finish {counted(counts[IN_TRIAL], 'trial')}" if counts[IN_TRIAL] else "",
        f"leave {counts[STILL_OPEN]} open for now" if counts[STILL_OPEN] else "",
    ]
    text = f"{words.capitalized(words.listed([one for one in told if one]))}."
    for do, lead in ((CHANGE_IT, "The most to gain:"), (KEEP_IT, "The best change made:")):
        best = next((one for one in season.advice if one.do == do and one.saving is not None), None)
        if best is not None:
            text += f" {lead} {_most(best, season)}."
    return text if season.advice else ""


def _most(one: Advice, season: WeighedSeason) -> str:
    """``fan speed 950 → 1050 rpm on Combine C in wheat: 31 EUR/ha (…), 99 % sure; 1,250 EUR on the 40 ha it cut``."""
    farm, saving = season.farm, one.saving
    assert saving is not None
    units = units_of(farm, one.crop)
    unit = units.money_per_area(farm.prices.currency)[1]
    head, _, ends = money_range(saving, one.crop, farm).partition(" (")
    area = sum(
        cut.area_ha
        for field, cut in zip(season.by_field, season.cuts, strict=True)
        if (field.row["machine"], field.crop) == (one.machine, one.crop)
    )
    whole = (
        f"{words.grouped(words.significant(abs(saving.per_ha) * area))}{words.NARROW}{farm.prices.currency}"
    )
    over = f": about {whole} on the {amount(area, units.area)} it cut" if area > 0 else ""
    title = one.title[:1].lower() + one.title[1:]
    return (
        f"{title} on {one.machine} in {words.crop_label(one.crop).lower()}, {head.strip(words.NARROW)}{words.NARROW}"
        f"{unit} ({ends}, {_chance(one)}{over}"
    )
