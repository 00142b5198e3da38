"""What to change when: adjustments against one symptom, ranked by what they did per usual step."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import polars as pl
from chaffinch.dashboards.start_sheet.start_values import COMMON_PRACTICE, StartValue
from chaffinch.dashboards.words.confidence import LIKELY, chance_in_words
from chaffinch.dashboards.words.instruction import WORTH_TRYING
from chaffinch.dashboards.words.terms import (
    LOSS_OUTCOMES,
    MORE_IS_BETTER,
    NARROW,
    OUTCOME_WORDS,
    listed,
    signed,
)
from chaffinch.pipelines.errors import counted
from chaffinch.schemas.declarations import Setting, settings

SYMPTOMS = (
    ("Separation loss high", "separation_loss"),
    ("Cleaning loss high", "cleaning_loss"),
    ("Broken grain", "broken_grain"),
    ("MOG in the sample", "non_grain"),
    ("Tailings full", "returns"),
    ("Output too low", "capacity"),
)
# Worse when they rise; of throughput and capacity, when they fall. Machine loss repeats the two losses.
TRADED = (
    "separation_loss",
    "cleaning_loss",
    "broken_grain",
    "non_grain",
    "returns",
    "capacity",
    "fuel_per_tonne",
)
MOST_TRADED = 3
# How well an adjustment is known, best first.
HERE, FLEET, NOT_TRIED, TRIED_OPEN = range(4)
Row = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Adjustment:
    """One adjustment against a symptom. do : the imperative. found : what it did, or that it was never tried here.
    costs : trade-offs in words. known : HERE to TRIED_OPEN. beyond : whether it leads out of the values tried."""

    setting: str
    do: str
    found: str
    costs: tuple[str, ...]
    known: int
    size: float
    beyond: bool = False


def what_to_change(
    machine: str, crop: str | None, effects: pl.DataFrame, starts: Sequence[StartValue]
) -> list[tuple[str, list[Adjustment]]]:
    """(symptom, adjustments ranked) of one machine in one crop. effects : the whole table.

    Effects of this machine come before those of all machines in the crop; what did little or is open comes last, and
    what was never tried is usual practice and says so.
    """
    of_crop = effects.filter(
        pl.col("crop").eq_missing(pl.lit(crop, pl.String)),
        pl.col("joint_id").is_null(),
        pl.col("log_ratio").is_not_null(),
    )
    here = _by_setting(of_crop.filter(scope="machine", machine=machine))
    fleet = _by_setting(of_crop.filter(pl.col("scope") == "season", pl.col("machine").is_null()))
    positions = {one.setting.name: one for one in starts}
    found = []
    for symptom, outcome in SYMPTOMS:
        every = [
            one
            for setting in settings().values()
            if (one := _against(outcome, setting, here, fleet, positions.get(setting.name))) is not None
        ]
        found.append((symptom, sorted(every, key=lambda a: (_group(a), -a.size, _unlogged(a, positions)))))
    return found


def tried_spans(machine: str, crop: str | None, effects: pl.DataFrame) -> dict[str, tuple[float, float]]:
    """Setting to the least and greatest value tried on the machine in the crop; numbers in their own unit only."""
    rows = effects.filter(
        pl.col("crop").eq_missing(pl.lit(crop, pl.String)),
        pl.col("unit").ne_missing(pl.lit("m/s")),
        pl.col("tried_low").is_not_null(),
        scope="machine",
        machine=machine,
    )
    spans = rows.group_by("setting").agg(pl.col("tried_low").min(), pl.col("tried_high").max())
    return {name: (low, high) for name, low, high in spans.iter_rows()}


def _group(one: Adjustment) -> int:
    return 0 if one.known in (HERE, FLEET) else one.known


def _unlogged(one: Adjustment, positions: Mapping[str, StartValue]) -> bool:
    """Whether the machine is not known to have the setting: those it has come first."""
    start = positions.get(one.setting)
    return start is None or start.position is None


Rows = dict[str, dict[str, Row]]


def _by_setting(rows: pl.DataFrame) -> Rows:
    """Setting to outcome to row; of several changes of one setting that of most adjustments."""
    found: Rows = {}
    for row in rows.sort("adjustments_pooled", nulls_last=False).iter_rows(named=True):
        found.setdefault(row["setting"], {})[row["outcome"]] = row
    return found


def _against(
    outcome: str, setting: Setting, here: Rows, fleet: Rows, start: StartValue | None
) -> Adjustment | None:
    better = 1.0 if outcome in MORE_IS_BETTER else -1.0
    own, all_ = here.get(setting.name, {}), fleet.get(setting.name, {})
    for rows, known in ((own, HERE), (all_, FLEET)):
        row = rows.get(outcome)
        if row is not None and _known(row) and abs(row["log_ratio"]) >= WORTH_TRYING:
            return _found(outcome, setting, rows, row, better, known, start)
    sign = setting.sign_of(outcome)
    if sign not in ("+", "-"):
        return None
    raise_it = (sign == "+") == (better > 0)
    tried = outcome in own or outcome in all_
    if setting.kind == "service":
        if not raise_it:
            return None
        do, beyond = setting.label, False
    else:
        # Away from what common practice recommends is not common practice.
        if setting.kind == "ordered" and start is not None and start.by == COMMON_PRACTICE:
            return None
        step = _step(setting, None, raise_it, start)
        if step is None:
            return None
        do, beyond = step
        known_span = next(iter((own or all_).values()), None)
        if known_span is not None and setting.step and start is not None:
            beyond = _beyond(known_span, start.position, setting.step if raise_it else -setting.step)
    costs = _usual_costs(outcome, setting, raise_it)
    if tried:
        row = own.get(outcome) or all_[outcome]
        ends = f"{signed(row['percent_low'])} to {signed(row['percent_high'])}{NARROW}%"
        known = _known(row)
        words = "did little here" if known else f"tried, open ({ends} per usual step up)"
        return Adjustment(setting.name, do, f"{words}; usually helps", costs, TRIED_OPEN, 0.0, beyond)
    return Adjustment(setting.name, do, "not tried here; usually helps", costs, NOT_TRIED, 0.0, beyond)


def _known(row: Row) -> bool:
    """Whether the direction is at least likely."""
    chance = row["chance_less"]
    return row["verdict"] != "cannot tell" and chance is not None and max(chance, 1 - chance) >= LIKELY


def _found(
    outcome: str,
    setting: Setting,
    rows: Mapping[str, Row],
    row: Row,
    better: float,
    known: int,
    start: StartValue | None,
) -> Adjustment | None:
    """By evidence: in the direction that made it better."""
    forward = row["log_ratio"] * better > 0
    step = (setting.label, False) if setting.kind == "service" else _step(setting, row, forward, start)
    if step is None or (setting.kind == "service" and not forward):
        return None
    do, beyond = step
    turn = 1.0 if forward else -1.0
    percent, *ends = (100 * math.expm1(turn * row[f"log_ratio{end}"]) for end in ("", "_low", "_high"))
    low, high = sorted(ends)
    chance = max(row["chance_less"], 1 - row["chance_less"])
    where = "here" if known == HERE else "all machines"
    behind = counted(row["adjustments_pooled"] or 1, "change")
    size = f"{signed(percent)}{NARROW}% ({signed(low)} to {signed(high)})"
    found = f"{size}, {chance_in_words(chance)}; {where}, {behind}"
    return Adjustment(
        setting.name, do, found, _costs_found(outcome, rows, turn), known, abs(row["log_ratio"]), beyond
    )


def _step(
    setting: Setting, row: Row | None, forward: bool, start: StartValue | None
) -> tuple[str, bool] | None:
    """The adjustment in words, and whether it leads beyond the values tried; None where it is at its end already.

    row : of effects; None for usual practice. forward : up, or towards the last position.
    """
    position = start.position if start is not None else None
    if setting.kind == "number":
        step, unit = setting.step or 1.0, setting.unit
        if row is not None and row["per_step"]:
            step, unit = row["per_step"], row["unit"] or unit
        tip = " at the tip" if unit == "m/s" else ""
        do = f"{setting.label} {'up' if forward else 'down'} {step:g}{NARROW}{unit}{tip}"
        return do, row is not None and _beyond(row, position, step if forward else -step)
    if row is not None and row["from_value"] is not None:
        before, after = (
            (row["from_value"], row["to_value"]) if forward else (row["to_value"], row["from_value"])
        )
        return None if position == after else (f"{setting.label} {before} → {after}", False)
    places = setting.positions
    if position in places:
        at = places.index(position) + (1 if forward else -1)
        return (f"{setting.label} {position} → {places[at]}", False) if 0 <= at < len(places) else None
    towards = "" if setting.kind == "either_or" else "towards "
    return f"{setting.label}: {towards}{places[-1] if forward else places[0]}", False


def _beyond(row: Row, position: str | None, step: float) -> bool:
    low, high = row["tried_low"], row["tried_high"]
    try:
        value = float(position or "") + step
    except ValueError:
        return False
    return (
        low is not None
        and high is not None
        and row["unit"] != "m/s"
        and not low - 1e-9 <= value <= high + 1e-9
    )


def _costs_found(outcome: str, rows: Mapping[str, Row], turn: float) -> tuple[str, ...]:
    """Other outcomes that likely got worse by it, largest first."""
    costs = []
    for name in TRADED:
        row = rows.get(name)
        if name == outcome or row is None or not _known(row):
            continue
        log = turn * row["log_ratio"]
        worse = log < 0 if name in MORE_IS_BETTER else log > 0
        if worse and abs(log) >= WORTH_TRYING / 3 and not (outcome in LOSS_OUTCOMES and name == "capacity"):
            costs.append((-abs(log), f"{OUTCOME_WORDS[name]} {signed(100 * math.expm1(log))}{NARROW}%"))
    return tuple(text for _, text in sorted(costs)[:MOST_TRADED])


def _usual_costs(outcome: str, setting: Setting, raise_it: bool) -> tuple[str, ...]:
    """What usually gets worse by it."""
    worse = []
    for name in TRADED:
        sign = setting.sign_of(name)
        if name == outcome or sign not in ("+", "-"):
            continue
        rises = (sign == "+") == raise_it
        if rises != (name in MORE_IS_BETTER):
            worse.append(f"{'more' if rises else 'less'} {OUTCOME_WORDS[name]}")
    if not worse and raise_it and setting.costs:
        return (setting.costs[:1].lower() + setting.costs[1:].rstrip("."),)
    return (f"usually {listed(worse[:MOST_TRADED])}",) if worse else ()
