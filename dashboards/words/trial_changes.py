"""The switches of a trial as one change, whose effect is the trial's answer."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import polars as pl
from chaffinch.dashboards.words.moved_effect import moved_effect
from chaffinch.dashboards.words.shown_changes import ShownChange
from chaffinch.pipelines.trials.done.matching import as_planned
from chaffinch.schemas.declarations import settings
from chaffinch.schemas.tables import OUTCOMES

Row = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Pair:
    """Two values of a setting that a trial compares, with the rows of ``effects`` about them, by outcome."""

    before: str
    after: str
    unit: str | None
    rows: dict[str, Row]

    def to(self, value: str | None) -> Pair:
        """With ``value`` as the later of the two, where it is one of them or what a display makes of it."""
        return replace(self, before=self.after, after=self.before) if self.at(value) == self.before else self

    def at(self, value: str | None) -> str | None:
        """Which of the two values a logged one means; None for any other."""
        known = as_planned(value, (self.before, self.after))
        return known if known in (self.before, self.after) else None


def pairs_of(rows: pl.DataFrame, trial: str, setting: str) -> list[Pair]:
    """The comparisons of one setting of a trial. rows : of ``effects`` about a field."""
    found: dict[tuple[str, ...], Pair] = {}
    mine = rows.filter(pl.col("trial") == trial, pl.col("setting") == setting)
    for row in mine.drop_nulls(["from_value", "to_value"]).iter_rows(named=True):
        before, after = _ordered(setting, row["from_value"], row["to_value"])
        pair = found.setdefault((before, after), Pair(before, after, row["unit"], {}))
        pair.rows[row["outcome"]] = row
    return list(found.values())


def _ordered(setting: str, one: str, other: str) -> tuple[str, str]:
    """From low to high; words as the catalogue has them."""
    try:
        return (one, other) if float(one) <= float(other) else (other, one)
    except ValueError:
        known = list(settings()[setting].positions) if setting in settings() else []
        order = sorted((one, other), key=lambda value: (known.index(value) if value in known else -1, value))
        return order[0], order[1]


def trials_as_one(
    changes: Sequence[ShownChange], rows: pl.DataFrame, loss_error: float | None
) -> list[ShownChange]:
    """``changes`` of a field with the switches of each trial that has an answer as one change for each comparison.

    rows, loss_error : as of ``lines_of``. The first comparison of a trial's setting holds its switches.
    """
    answered = set(rows["trial"].drop_nulls())
    trials: dict[str, list[ShownChange]] = {}
    found: list[tuple[int, ShownChange]] = []
    for change in changes:
        if change.trial in answered:
            trials.setdefault(change.trial or "", []).append(change)
        else:
            found.append((change.number, change))
    for trial, switches in trials.items():
        names = dict.fromkeys(name for one in switches for name, *_ in one.settings)
        compared = [
            one
            for name in names
            for pair in pairs_of(rows, trial, name)
            if (one := _compared(switches, name, pair, loss_error)) is not None
        ]
        # A trial that has no answer yet is shown by its switches.
        listed = [replace(compared[0], switches=tuple(switches)), *compared[1:]] if compared else switches
        # Pages link to a change by its number, so each takes one of its switches'.
        numbers = [one.number for one in switches][: len(listed)]
        found += [
            (switches[0].number, replace(one, number=k)) for k, one in zip(numbers, listed, strict=False)
        ]
    return [one for _, one in sorted(found, key=lambda each: each[0])]


def _compared(
    switches: Sequence[ShownChange], name: str, pair: Pair, loss_error: float | None
) -> ShownChange | None:
    """The comparison of a pair, towards the value of the last switch; None where no change moved that setting."""
    moves = [(one, s) for one in switches for s in one.settings if s[0] == name]
    if not moves:
        return None
    pair = pair.to(moves[-1][1][2])
    first, started = moves[0][0], moves[0][1][1]
    worked = [(started, first.seconds_before), *((move[2], one.seconds_after) for one, move in moves)]
    spent = [sum(s for value, s in worked if pair.at(value) == end) for end in (pair.before, pair.after)]
    outcomes = [
        outcome
        for kind in OUTCOMES
        if kind in pair.rows
        and (outcome := moved_effect(pair.rows[kind], name, pair.before, pair.after, loss_error))
    ]
    return replace(
        first,
        last_time=moves[-1][0].last_time,
        settings=((name, pair.before, pair.after, pair.unit),),
        joint_id=None,
        outcomes=tuple(outcomes),
        seconds_before=spent[0],
        seconds_after=spent[1],
        is_comparison=True,
    )


Both = tuple[pl.DataFrame, pl.DataFrame]


def sides_of_values(change: ShownChange, changes: Sequence[ShownChange], sides: Sequence[Both]) -> Both:
    """Readings at both values of a comparison, each joined over its switches; else before and after a change.

    sides : of each of ``changes``, its readings before and after.
    """
    known = {one.number: both for one, both in zip(changes, sides, strict=True)}
    if not change.is_comparison:
        return known[change.number]
    name, before, after, unit = change.settings[0]
    pair = Pair(before or "", after or "", unit, {})
    found: dict[str | None, list[pl.DataFrame]] = {pair.before: [], pair.after: []}
    moves = [(known[one.number], s) for one in changes if one.trial == change.trial for s in one.settings]
    for k, ((earlier, later), (setting, start, end, _)) in enumerate(moves):
        if setting != name:
            continue
        if k == 0 and (at := pair.at(start)):
            found[at].append(earlier)
        if at := pair.at(end):
            found[at].append(later)
    return tuple(pl.concat(parts or [sides[0][0].clear()]) for parts in found.values())  # type: ignore[return-value]
