"""The page of one machine in one field: for the operator, in the cab, offline."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

import polars as pl
from chaffinch.dashboards.figures.effect_chart import by_worth, change_lines, effect_chart, rows_of_outcomes
from chaffinch.dashboards.figures.field_data import (
    both_sides,
    feed_edges,
    local_ms,
    loss_by_feed,
    losses_are_calibrated,
    median_of,
    medians_in_time,
    with_quantities,
)
from chaffinch.dashboards.figures.field_map import by_pass, field_map, layers
from chaffinch.dashboards.figures.loss_curve import DRAWN_PLACES, Sides, loss_curve, with_fit
from chaffinch.dashboards.figures.parts import Drawn, Folded, ShownTable, draw, number, rows_of
from chaffinch.dashboards.figures.timeline import courses, timeline, values_in_force
from chaffinch.dashboards.pages import data_quality
from chaffinch.dashboards.pages.field_answers import FieldTables, field_answers
from chaffinch.dashboards.pages.field_facts import field_facts
from chaffinch.dashboards.pages.grain_flow import Fact, grain_flow, loads_table
from chaffinch.dashboards.pages.settings_in_use import (
    InUse,
    against_common_practice,
    settings_in_use,
    settings_of,
)
from chaffinch.dashboards.pages.weighed_checks import checks_table, checks_with_share
from chaffinch.dashboards.words import advice
from chaffinch.dashboards.words import terms as words
from chaffinch.dashboards.words.links import machine_href
from chaffinch.dashboards.words.machine_lines import MachineLines
from chaffinch.dashboards.words.shown_changes import (
    MAIN_OUTCOMES,
    OTHER_OUTCOMES,
    Outcome,
    ShownChange,
    changes_of,
    headline,
)
from chaffinch.dashboards.words.shown_units import ShownUnits, units_of
from chaffinch.dashboards.words.trial_changes import sides_of_values, trials_as_one
from chaffinch.dashboards.words.trial_words import SettingTrial
from chaffinch.pipelines.farm import Farm
from chaffinch.pipelines.work.delays.lag import Delays
from chaffinch.pipelines.work.facts import work_facts
from chaffinch.pipelines.work.load_calibration import WeighedLoads

# Of those with the largest effects; a page stays small whatever was tried in a field.
MOST_CURVES, MOST_CHANGES_DRAWN = 6, 8
EFFECT_COLUMNS = ("Change", "Outcome", "Verdict", "Change, %", "95 % range, %", "Absolute", "Why or remark")


@dataclass(frozen=True, slots=True)
class FieldInputs:
    """Everything one page is made from: rows of the tables, already narrowed to the field job.

    responses, loss_curves : of the machine in all crops and fields. whole : its changes as lines, by crop.
    """

    machine: str
    field: str | None
    crop: str | None
    marked: pl.DataFrame
    effects: pl.DataFrame
    adjustments: pl.DataFrame
    loss_checks: pl.DataFrame
    deliveries: pl.DataFrame
    set_aside: pl.DataFrame
    responses: pl.DataFrame
    loss_curves: pl.DataFrame
    boundary_wkt: str | None
    weighed: WeighedLoads
    delays: Delays
    in_use: Sequence[InUse] | None = None
    whole: tuple[MachineLines, ...] = ()
    trials: Mapping[str, SettingTrial] = dataclasses.field(default_factory=dict)


def field_context(inputs: FieldInputs, farm: Farm) -> dict[str, Any]:
    """What the template of a field page shows."""
    crop = inputs.crop
    units = units_of(farm, crop)
    calibration = inputs.weighed.of(inputs.machine, crop)
    readings = with_quantities(inputs.marked, units)
    zone = farm.zone_of(inputs.machine)
    found = work_facts(inputs.marked, inputs.delays, zone)
    changes = changes_of(inputs.effects, _near(inputs.adjustments, readings))
    sides = both_sides(readings, [change.time for change in changes])
    tables = FieldTables(
        inputs.field, crop, inputs.effects, inputs.responses, inputs.loss_curves, inputs.whole, inputs.trials
    )
    answers = field_answers(tables, changes, readings, farm)
    of_field = inputs.effects.filter(pl.col("scope") == "field")
    shown = trials_as_one(changes, of_field, answers.loss_error)
    sides_of = [sides_of_values(change, changes, sides) for change in shown]
    stated = farm.machines.get(inputs.machine)
    in_use = settings_in_use(settings_of(readings)) if inputs.in_use is None else inputs.in_use
    flow = grain_flow(readings, crop, farm, units, _cut_height_m(readings), calibration)
    return {
        "flow_notes": flow.notes,
        "checks": checks_table(
            checks_with_share(inputs.loss_checks, readings, crop, farm, inputs.machine), units, zone
        ),
        "loads": loads_table(inputs.weighed.loads_of(inputs.machine, crop), zone, farm),
        "answers": answers,
        "facts": field_facts(crop, changes, sides, in_use),
        "in_use": in_use,
        "findings": against_common_practice(
            readings,
            crop,
            stated,
            inputs.adjustments,
        ),
        "machine": inputs.machine,
        "machine_href": machine_href(inputs.machine),
        "field": inputs.field,
        "crop": words.crop_label(crop),
        "zone": zone or "UTC",
        "zone_is_stated": zone is not None,
        "when": _when(readings, zone),
        "summary": _summary(readings, flow.facts),
        "changes": [
            {
                "change": change,
                "clock": words.clock(change.time, zone),
                "until": words.clock(change.last_time, zone) if change.is_comparison else "",
                "day": words.day(change.time, zone),
                "surprises": advice.surprises(known) if _first_of_its_setting(shown, k) else [],
                "knowledge": known if _first_of_its_setting(shown, k) else None,
                "headline": headline(
                    change, median_of(sides_of[k][0], "feed"), units.feed_rate[1], units.mass_per_area
                ),
                "before": words.duration(change.seconds_before),
                "after": words.duration(change.seconds_after),
                "switches": _switches_table(change, zone, units),
            }
            for k, (change, known) in enumerate(zip(shown, map(advice.knowledge_of, shown), strict=True))
        ],
        "effect_figures": _effect_figures(shown, zone, units),
        "timeline": _timeline(readings, changes, shown, zone, units),
        "map": _map(readings, shown, zone, inputs.boundary_wkt, units),
        "curves": _curves(readings, shown, sides_of, units),
        "curves_left_out": max(len(shown) - MOST_CURVES, 0),
        "questions": [
            (words.reason_sentence(code), where, remedy)
            for code, where, remedy in advice.open_questions(shown)
        ],
        "cautions": advice.cautions_of(changes),
        "deliveries": inputs.deliveries.sort("name").to_dicts(),
        "asides": data_quality.asides(inputs.set_aside, inputs.deliveries),
        "work_found": found.sentences(units.length),
        "screening": data_quality.screening_table(found),
        "conditions": data_quality.conditions_table(found, units),
        "work_shares": data_quality.work_shares(readings),
    }


def _near(adjustments: pl.DataFrame, readings: pl.DataFrame) -> pl.DataFrame:
    """Adjustments within ten minutes of a reading: a field may be cut on days with other fields between."""
    read = readings.select("time", pl.col("time").alias("_read"))
    near = adjustments.sort("time").join_asof(read, on="time", strategy="nearest", tolerance="10m")
    return near.filter(pl.col("_read").is_not_null()).drop("_read")


def _when(readings: pl.DataFrame, zone: str | None) -> str:
    first, last = readings["time"].min(), readings["time"].max()
    if first is None or last is None:
        return "no readings"
    start, end = words.day(first, zone), words.day(last, zone)  # type: ignore[arg-type]
    span = f"{words.clock(first, zone)} to {words.clock(last, zone)}"  # type: ignore[arg-type]
    return f"{start}, {span}" if start == end else f"{start} to {end}"


def _summary(readings: pl.DataFrame, facts: Sequence[Fact]) -> list[tuple[str, str]]:
    known = [
        (name, f"{words.significant(value, 3)}{words.NARROW}{unit}")
        for name, value, unit in facts
        if value is not None
    ]
    return [*known, ("Steady work", f"{readings['usable'].sum():,} of {readings.height:,} readings")]


def _cut_height_m(state: pl.DataFrame) -> float | None:
    if "header_height_mm" not in state.columns:
        return None
    height_mm = median_of(state.filter("usable"), "header_height_mm")
    return height_mm / 1000.0 if height_mm is not None and height_mm >= 0 else None


def _effect_figures(changes: list[ShownChange], zone: str | None, units: ShownUnits) -> list[Folded]:
    """Of the main outcomes and of the others: what is at least likely, largest effect first, and what is open."""
    drawn = []
    for identity, outcomes, heading, about in (
        ("effects-main", MAIN_OUTCOMES, "Losses, throughput and capacity", "losses, throughput and capacity"),
        (
            "effects-other",
            OTHER_OUTCOMES,
            "Grain quality, returns and fuel",
            "grain quality, returns and fuel",
        ),
    ):
        groups = [(c, [o for name in outcomes if (o := c.outcome(name)) is not None]) for c in changes]
        parts = [_effect_figure(by_worth(groups, is_open), identity, is_open, about, zone, units)
                 for is_open in (False, True)]  # fmt: skip
        drawn += [Folded(heading, *parts)] if any(parts) else []
    return drawn


def _effect_figure(
    groups: Sequence[tuple[ShownChange, list[Outcome]]],
    identity: str,
    is_open: bool,
    about: str,
    zone: str | None,
    units: ShownUnits,
) -> Drawn | None:
    figure = effect_chart(
        [
            (change_lines(c, words.clock(c.time, zone)), rows_of_outcomes(found))
            for c, found in groups[:MOST_CHANGES_DRAWN]
        ]
    )
    table = ShownTable(
        f"Effect of each change on {about}{', where it is open' if is_open else ''}",
        EFFECT_COLUMNS,
        rows_of([_effect_cells(c, o, zone, units) for c, found in groups for o in found]),
    )
    left_out = len(groups) - MOST_CHANGES_DRAWN
    more = f" {left_out} more are only in the table." if left_out > 0 else ""
    description = (
        f"Ranges of the effect of {len(groups)} changes on {about}; the numbers are in the table below.{more}"
    )
    return draw(figure, f"{identity}-open" if is_open else identity, description, table)


def _effect_cells(change: ShownChange, outcome: Outcome, zone: str | None, units: ShownUnits) -> list[str]:
    return [
        f"{change.numbers}. {words.clock(change.time, zone)} {change.title}",
        outcome.words,
        *outcome.cells,
        outcome.absolute_in(units.mass_per_area) or "–",
        " ".join(words.reason_sentence(code) for code in outcome.reasons) or "–",
    ]


def _switches_table(change: ShownChange, zone: str | None, units: ShownUnits) -> ShownTable | None:
    """The effect of each switch of a trial, shared over all logs; None for any other change."""
    if not change.switches:
        return None
    cells = [
        _effect_cells(one, outcome, zone, units)
        for one in change.switches
        for outcome in one.outcomes
        if outcome.name in MAIN_OUTCOMES
    ]
    return ShownTable("Each switch of the trial on its own", EFFECT_COLUMNS, rows_of(cells))


def _timeline(
    readings: pl.DataFrame,
    changes: list[ShownChange],
    shown: list[ShownChange],
    zone: str | None,
    units: ShownUnits,
) -> Drawn | None:
    rows = courses(readings, "kg/s" if losses_are_calibrated(readings) else "signal", units)
    medians, minutes = medians_in_time(readings, [course.column for course in rows])
    figure = timeline(readings, medians, minutes, rows, changes, zone)
    middles = [time + timedelta(minutes=minutes / 2) for time in medians["time"]]
    settings_then = values_in_force(changes, middles)
    table = ShownTable(
        f"Medians of steady work, {minutes} minutes a row; settings as in the middle of it",
        ("From", "Readings", *(f"{course.words}, {course.unit}" for course in rows), *settings_then),
        rows_of(
            [
                [f"{words.day(r['time'], zone)} {words.clock(r['time'], zone)}", str(r["readings"])]
                + [number(r[course.column], 3) for course in rows]
                + [values[k] or "–" for values in settings_then.values()]
                for k, r in enumerate(medians.iter_rows(named=True))
            ]
        ),
    )
    description = (
        "Course over time of " + ", ".join(course.words.lower() for course in rows) + " and of the settings; "
        "thin lines are readings, bold lines medians of steady work, dashed lines the changes; "
        "shaded are turns and stops."
    )
    return draw(figure, "course", description, table, zooms=_zooms(shown, zone))


def _zooms(changes: list[ShownChange], zone: str | None) -> tuple[tuple[str, float, float], ...]:
    if not changes:
        return ()
    half = 25 * 60_000.0
    first, last = (
        local_ms(pl.Series([getattr(c, end) for c in changes]), zone) for end in ("time", "last_time")
    )
    return tuple(
        (f"{c.numbers}: {words.clock(c.time, zone)}", float(start) - half, float(end) + half)
        for c, start, end in zip(changes[:24], first, last, strict=False)
    )


def _map(
    readings: pl.DataFrame,
    changes: list[ShownChange],
    zone: str | None,
    boundary: str | None,
    units: ShownUnits,
) -> Drawn | None:
    shown = layers(readings, losses_are_calibrated(readings), units)
    figure = field_map(readings, shown, changes, boundary, units.length, zone)
    if figure is None:
        return None
    passes = by_pass(readings, shown)
    table = ShownTable(
        "Medians of the marks of each pass",
        ("Pass", "From", "Marks", *(f"{layer.words}, {layer.unit}" for layer in shown)),
        rows_of(
            [
                [str(r["pass_number"]), words.clock(r["time"], zone), str(r["marks"])]
                + [number(r[layer.column], layer.digits) for layer in shown]
                for r in passes.iter_rows(named=True)
            ]
        ),
    )
    traces = [k for k, trace in enumerate(figure.data) if trace.get("meta") == "layer"]
    switches = tuple((layer.words, k) for layer, k in zip(shown, traces, strict=True))
    description = (
        "Map of the field in metres, coloured by "
        + ", ".join(layer.words.lower() for layer in shown)
        + ", with the places of the changes."
    )
    return draw(figure, "map", description, table, switches=switches)


def _curves(
    readings: pl.DataFrame, changes: list[ShownChange], sides: list, units: ShownUnits
) -> list[tuple[ShownChange, Drawn]]:
    edges, feed_unit = feed_edges(readings), units.feed_rate[1]
    unit = "kg/s" if losses_are_calibrated(readings) else "signal"
    found = []
    ranked = sorted(zip(changes, sides, strict=True), key=lambda pair: -_largest_loss_effect(pair[0]))
    for change, sides_of in ranked[:MOST_CURVES]:
        drawn, names = [], ("before", "after")
        if change.is_comparison:
            _, before, after, value_unit = change.settings[0]
            first, second = (
                words.name_in_figure(f"at {end} {value_unit or ''}".rstrip()) for end in (before, after)
            )
            names = first, second
        for column, place, outcome in DRAWN_PLACES:
            if not readings[column].count():
                continue
            binned = tuple(loss_by_feed(side, column, edges) for side in sides_of)
            effect = change.outcome(outcome)
            log_ratio = effect.log_ratio if effect is not None and effect.has_range else None
            drawn.append(Sides(place, *with_fit(binned, sides_of, column, log_ratio)))  # type: ignore[arg-type]
        table = ShownTable(
            f"Loss against grain feed rate, change {change.numbers}",
            ("Loss", "Side", f"Grain feed rate, {feed_unit}", f"Median loss, {unit}", "Middle half",
             f"Fitted curve, {unit}", "Readings"),
            rows_of([_curve_cells(one.words, side, r) for one in drawn
                     for side, table in zip(names, (one.before, one.after), strict=True)
                     for r in table.iter_rows(named=True)]),
        )  # fmt: skip
        text = f"Loss against grain feed rate {names[0]} and {names[1]}: {change.title}."
        part = draw(loss_curve(drawn, unit, feed_unit, names), f"curve-{change.number}", text, table)
        found += [(change, part)] if part else []
    return found


def _first_of_its_setting(changes: Sequence[ShownChange], k: int) -> bool:
    """What a setting usually does is said once a page, and again where it is moved the other way."""
    name, before, after, _ = changes[k].settings[0]
    return all(change.settings[0][:3] != (name, before, after) for change in changes[:k])


def _largest_loss_effect(change: ShownChange) -> float:
    """On the log scale, of what is at least likely; 0 without one."""
    losses = [o for o in change.outcomes if o.name in words.LOSS_OUTCOMES and not o.open]
    return max((abs(o.log_ratio or 0.0) for o in losses), default=0.0)


def _curve_cells(place: str, side: str, row: dict[str, Any]) -> list[str]:
    middle_half = f"{number(row['low'], 3)} to {number(row['high'], 3)}"
    readings = [number(row["feed"], 1), number(row["loss"], 3), middle_half, number(row["fitted"], 3)]
    return [place, side, *readings, str(row["readings"])]
