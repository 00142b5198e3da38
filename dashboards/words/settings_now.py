"""What became of each setting in a field: its changes as one line, with one answer and the value now in force."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

import polars as pl
from chaffinch.dashboards.words.confidence import LIKELY
from chaffinch.dashboards.words.moved_effect import moved_effect
from chaffinch.dashboards.words.shown_changes import Outcome, ShownChange
from chaffinch.dashboards.words.terms import LOSS_OUTCOMES, compared_values, setting_change, setting_label
from chaffinch.dashboards.words.trial_changes import Pair, pairs_of
from chaffinch.schemas.tables import OUTCOMES

Row = dict[str, Any]


@dataclass(frozen=True, slots=True)
class SettingLine:
    """All changes of one setting in a field (of one joint change), newest value last.

    settings : (setting, from, to, unit) that the outcomes are about. number : of the first change. changes : how
    many. now : value in force at the end, None for services and joint changes. undone : the setting is back where it
    began, or a joint change was changed again in all its settings. last_time : of the last change. trial : whose
    answer the outcomes are, of its two values.
    """

    settings: tuple[tuple[str, str | None, str | None, str | None], ...]
    number: int
    changes: int
    last_time: datetime
    now: str | None
    undone: bool
    outcomes: tuple[Outcome, ...]
    trial: str | None = None

    @property
    def title(self) -> str:
        if self.trial is not None:
            return compared_values(*self.settings[0])
        return " and ".join(setting_change(*one) for one in self.settings)

    @property
    def setting(self) -> str | None:
        """The setting's name; None for a joint change."""
        return self.settings[0][0] if len(self.settings) == 1 else None

    @property
    def label(self) -> str:
        return " and ".join(setting_label(one[0]) for one in self.settings)

    @property
    def unit(self) -> str | None:
        return self.settings[0][3]

    def outcome(self, name: str) -> Outcome | None:
        return next((o for o in self.outcomes if o.name == name), None)

    @property
    def leading(self) -> Outcome | None:
        """The loss that is known best; machine loss where another is no clearer."""
        known = [o for o in self.outcomes if o.name in LOSS_OUTCOMES and o.chance_less is not None]
        order = ("machine_loss", "separation_loss", "cleaning_loss")
        return max(known, key=lambda o: (_clearness(o), -order.index(o.name)), default=None)

    @property
    def raised(self) -> Outcome | None:
        """The loss that likely rose: the machine's; where that is not known, one while no other likely fell."""
        losses = [o for o in self.outcomes if o.name in LOSS_OUTCOMES and o.chance_less is not None]
        machine = next((o for o in losses if o.name == "machine_loss"), None)
        rose = [o for o in losses if 1 - (o.chance_less or 0.0) >= LIKELY]
        if machine is not None:
            return machine if machine in rose else None
        fell = any((o.chance_less or 0.0) >= LIKELY for o in losses)
        return None if fell else min(rose, key=lambda o: o.chance_less or 0.0, default=None)

    @property
    def lowered(self) -> Outcome | None:
        """The loss that likely fell, if it is the one known best and the machine's did not rise."""
        best, machine = self.leading, self.outcome("machine_loss")
        if best is None or (best.chance_less or 0.0) < LIKELY:
            return None
        rose = machine is not None and machine.chance_less is not None and machine.chance_less < 0.5
        return None if rose else best


def _clearness(outcome: Outcome) -> float:
    """Two places of the chance's distance from one half: what differs by less is equally clear."""
    return round(abs((outcome.chance_less or 0.5) - 0.5), 2)


def lines_of(
    changes: Sequence[ShownChange],
    rows: pl.DataFrame,
    loss_error: float | None,
    in_force: Mapping[str, str | None] | None = None,
) -> list[SettingLine]:
    """A line for each setting that was changed on its own, and for each joint change, newest first.

    changes : of one field, or of one machine in one crop, in order of time. rows : of ``effects`` about that field,
    or that machine and crop. loss_error : standard error of the log of its machine loss, where loss checks weigh it.
    in_force : values at the end, where more is known of them than ``changes`` say.
    """
    now: dict[str, str | None] = {one[0]: one[2] for change in changes for one in change.settings}
    now |= {name: value for name, value in (in_force or {}).items() if name in now}
    groups: dict[Any, list[ShownChange]] = {}
    answered = set(rows["trial"].drop_nulls())
    for change in changes:
        # Of a trial of two settings, switches of both at once are part of the answers of each.
        if change.trial in answered and len(change.settings) > 1:
            continue
        single = len(change.settings) == 1
        groups.setdefault(change.settings[0][0] if single else change.time, []).append(change)
    lines = [_line(of, now, rows, loss_error) for of in groups.values()]
    return sorted(lines, key=lambda line: (line.last_time, line.number), reverse=True)


def _line(
    changes: Sequence[ShownChange],
    now: Mapping[str, str | None],
    rows: pl.DataFrame,
    loss_error: float | None,
) -> SettingLine:
    first, last = changes[0], changes[-1]
    line = SettingLine(
        first.settings, first.number, len(changes), last.last_time, None, False, first.outcomes
    )
    if len(first.settings) > 1:
        moved_on = all(now[name] != to for name, _, to, _ in first.settings)
        return replace(line, undone=moved_on)
    name, before, after, unit = first.settings[0]
    in_force = now[name]
    # A joint change may have moved the setting too.
    line = replace(line, now=in_force, undone=before is not None and before == in_force)
    if len(changes) == 1:
        return line
    target = after if line.undone else in_force
    trial = next((one.trial for one in reversed(changes) if one.trial), None)
    pairs = [pair for pair in pairs_of(rows, trial, name) if pair.at(in_force)] if trial else []
    if trial and pairs:
        return _of_trial(line, max(pairs, key=_clearest), trial, changes, loss_error)
    of_setting = {
        row["outcome"]: row
        for row in rows.filter(pl.col("setting") == name, pl.col("trial").is_null()).to_dicts()
    }
    outcomes = _outcomes(of_setting, name, before, target, loss_error)
    if not outcomes:
        one = first if line.undone else last
        return replace(line, settings=one.settings, outcomes=one.outcomes)
    return replace(line, settings=((name, before, target, unit),), outcomes=outcomes)


def _of_trial(
    line: SettingLine, pair: Pair, trial: str, changes: Sequence[ShownChange], loss_error: float | None
) -> SettingLine:
    """The answer of a trial for its value in force against the other; where the setting is back, the other way."""
    name = line.settings[0][0]
    pair = pair.to(line.now)
    if line.undone:
        pair = pair.to(pair.before)
    outcomes = _outcomes(pair.rows, name, pair.before, pair.after, loss_error)
    switches = sum(one.trial == trial for one in changes)
    return replace(
        line,
        settings=((name, pair.before, pair.after, pair.unit),),
        outcomes=outcomes,
        changes=switches,
        trial=trial,
    )


def _clearest(pair: Pair) -> float:
    """How far from even the chance is of the loss of a comparison that is known best."""
    known = [row["chance_less"] for name, row in pair.rows.items() if name in LOSS_OUTCOMES]
    return max((abs(chance - 0.5) for chance in known if chance is not None), default=0.0)


def _outcomes(
    of_setting: Mapping[str, Row], name: str, before: str | None, after: str | None, loss_error: float | None
) -> tuple[Outcome, ...]:
    return tuple(
        found
        for outcome in OUTCOMES
        if outcome in of_setting
        and (found := moved_effect(of_setting[outcome], name, before, after, loss_error)) is not None
    )
