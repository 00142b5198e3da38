"""What became of each setting in a field: its changes as one line, with one answer and the value now in force."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

import numpy as np
import polars as pl
from chaffinch.dashboards.words.confidence import LIKELY
from chaffinch.dashboards.words.shown_changes import Outcome, ShownChange, outcome_of
from chaffinch.dashboards.words.terms import LOSS_OUTCOMES, setting_change, setting_label
from chaffinch.pipelines.estimate.results.calibration import Level, kg_ha
from chaffinch.pipelines.estimate.results.verdicts import answer
from chaffinch.schemas.declarations import settings
from chaffinch.schemas.tables import OUTCOMES

Row = dict[str, Any]


@dataclass(frozen=True, slots=True)
class SettingLine:
    """All changes of one setting in a field (of one joint change), newest value last.

    settings : (setting, from, to, unit) that the outcomes are about. number : of the first change. changes : how
    many. now : value in force at the end, None for services and joint changes. undone : the setting is back where it
    began, or a joint change was changed again in all its settings. last_time : of the last change.
    """

    settings: tuple[tuple[str, str | None, str | None, str | None], ...]
    number: int
    changes: int
    last_time: datetime
    now: str | None
    undone: bool
    outcomes: tuple[Outcome, ...]

    @property
    def title(self) -> str:
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
    for change in changes:
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
    of_setting = {row["outcome"]: row for row in rows.filter(pl.col("setting") == name).to_dicts()}
    outcomes = [
        found
        for outcome in OUTCOMES
        if outcome in of_setting
        and (found := _moved(of_setting[outcome], name, before, target, loss_error)) is not None
    ]
    return replace(
        line,
        settings=((name, before, target, unit),),
        outcomes=tuple(outcomes) or last.outcomes,
    )


def _moved(
    row: Row, name: str, before: str | None, after: str | None, loss_error: float | None
) -> Outcome | None:
    """The effect of a field's row for the way from ``before`` to ``after``; None where the row does not say."""
    if row["from_value"] is not None or row["to_value"] is not None:
        ends = (row["from_value"], row["to_value"])
        factor = 1.0 if ends == (before, after) else -1.0 if ends == (after, before) else None
    else:
        try:
            factor = (float(after or "") - float(before or "")) / row["per_step"]
        except (TypeError, ValueError, ZeroDivisionError):
            factor = 1.0 if settings().get(name) and settings()[name].kind == "service" else None
    return None if factor is None else _times(row, factor, loss_error)


def _times(row: Row, factor: float, loss_error: float | None) -> Outcome:
    """An outcome ``factor`` times as far along the setting, on the log scale."""
    if factor == 1.0 or row["log_ratio"] is None:
        return outcome_of(row)
    moved = dict(row)
    for kind in ("", "alone_"):
        ends = [row[f"{kind}log_ratio{end}"] for end in ("", "_low", "_high")]
        if None in ends:
            continue
        scaled = [factor * end for end in ends]
        scaled = [scaled[0], *sorted(scaled[1:])]
        for end, value in zip(("", "_low", "_high"), scaled, strict=True):
            moved[f"{kind}log_ratio{end}"] = value
            moved[f"{kind}percent{end}"] = 100 * float(np.expm1(value))
    refusals = row["reasons"] if row["verdict"] == "cannot tell" else []
    middle, low, high = (moved[f"log_ratio{end}"] for end in ("", "_low", "_high"))
    found = answer(middle, low, high, refusals, row["reasons"])
    moved |= {"verdict": found.verdict, "reasons": list(found.reasons)}
    if row["chance_less"] is not None and factor < 0:
        moved["chance_less"] = 1.0 - row["chance_less"]
    if row["absolute"] is not None and row["absolute_unit"] == "kg/ha":
        level = level_of_row(row)
        weighed = kg_ha([Level(row["machine"], level, loss_error or 0.0)], found) if level else None
        moved |= dict(zip(("absolute", "absolute_low", "absolute_high"), weighed or (None,) * 3, strict=True))
    return outcome_of(moved)


def level_of_row(row: Row) -> float | None:
    """Machine loss before, kg/ha, that a row's effect in kg/ha starts from; None where the effect is nil."""
    if row["absolute"] is None or not row["log_ratio"] or abs(row["log_ratio"]) < 1e-6:
        return None
    return float(row["absolute"] / np.expm1(row["log_ratio"]))
