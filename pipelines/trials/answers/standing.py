"""The progress of each trial of a lake, its answer so far, and whether that is enough."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from itertools import groupby, pairwise
from typing import Any

import numpy as np
import polars as pl
from chaffinch.pipelines.trials.answers.anytime import ENOUGH, GO_ON, WILL_NOT_SETTLE
from chaffinch.pipelines.trials.answers.comparisons import Comparison, best_of, comparisons_of
from chaffinch.pipelines.trials.answers.interaction import Interaction, interaction_in

STEP_STATUSES = ("done", "late", "skipped")


@dataclass(frozen=True, slots=True)
class Standing:
    """One trial: what was done, the comparisons of its values, the first of which is the main one, and one word.

    steps : rows of ``trials``. began, ended : of what was done, as far as is known. fields : where. state : one of
    the three words. sentences : what else a reader should know.
    """

    delivery: str
    name: str
    machine: str
    crop: str | None
    settings: tuple[str, ...]
    status: str
    steps: tuple[dict[str, Any], ...]
    counts: dict[str, int]
    began: datetime | None
    ended: datetime | None
    fields: tuple[str | None, ...]
    comparisons: tuple[Comparison, ...]
    state: str
    switches_left: int
    sentences: tuple[str, ...] = field(default=())
    interaction: Interaction | None = None

    def values_of(self, setting: str) -> tuple[str, ...]:
        """The planned values of one of the trial's settings."""
        return tuple(self.steps[0]["values" if setting == self.settings[0] else "second_values"])

    @property
    def main(self) -> Comparison | None:
        return self.comparisons[0] if self.comparisons else None

    def worked_on_in(self, year: int) -> bool:
        """Whether some of it was done in a year; south of the equator a harvest goes over the new year."""
        return (
            self.began is not None and self.ended is not None and self.began.year <= year <= self.ended.year
        )


def standings(trials: pl.DataFrame, effects: pl.DataFrame, logged_machines: Sequence[str]) -> list[Standing]:
    """All trials, the one that was worked on last first, those not started at the end.

    trials, effects : the tables. logged_machines : machines that have readings.
    """
    if trials.is_empty():
        return []
    parts = [rows.to_dicts() for rows in trials.sort("delivery", "step").partition_by("delivery")]
    of_trial = effects.filter(pl.col("trial").is_not_null())
    spans = {steps[0]["delivery"]: _span(steps) for steps in parts}
    found = [_standing(steps, of_trial, spans, parts, logged_machines) for steps in parts]
    return sorted(found, key=lambda s: (s.ended is None, -(s.ended.timestamp() if s.ended else 0.0), s.name))


def _standing(
    steps: list[dict[str, Any]],
    effects: pl.DataFrame,
    spans: dict[str, tuple[datetime, datetime] | None],
    others: list[list[dict[str, Any]]],
    logged: Sequence[str],
) -> Standing:
    first = steps[0]
    mine = effects.filter(pl.col("trial") == first["trial"], pl.col("machine") == first["machine"])
    remaining = _switches_to_come(steps)
    tell = float(-np.log1p(-first["tell_percent"] / 100))
    found = list(comparisons_of(steps, mine, remaining, tell))
    state, left = _state(found, first["status"], remaining)
    began, ended = spans[first["delivery"]] or (None, None)
    counts = {name: sum(s["step_status"] == name for s in steps) for name in STEP_STATUSES}
    fields = mine.filter(pl.col("scope") == "field")["field"].unique(maintain_order=True)
    return Standing(
        first["delivery"], first["trial"], first["machine"], first["crop"],
        tuple(s for s in (first["setting"], first["second_setting"]) if s),
        first["status"], tuple(steps), {**counts, "extra": int(first["extra"] or 0)}, began, ended,
        tuple(fields), tuple(found), state, left,
        tuple(_remarks(steps, spans, others, logged, bool(found), mine)),
        interaction_in(first, mine, found[0].outcome if found else None),
    )  # fmt: skip


def _state(found: Sequence[Comparison], status: str, remaining: int) -> tuple[str, int]:
    if not found:
        return (GO_ON, remaining) if status in ("planned", "running") else (WILL_NOT_SETTLE, 0)
    states = [one.outlook.state for one in found]
    # Where the best of several values is known, how the others compare does not matter.
    if all(one == ENOUGH for one in states) or best_of(found) is not None:
        return ENOUGH, 0
    open_ones = [one.outlook for one in found if one.outlook.state != ENOUGH]
    if status in ("finished", "abandoned") or all(one.state == WILL_NOT_SETTLE for one in open_ones):
        return WILL_NOT_SETTLE, remaining if status == "running" else 0
    return GO_ON, max(one.switches_left for one in open_ones if one.state == GO_ON)


def _switches_to_come(steps: Sequence[dict[str, Any]]) -> int:
    """Planned changes of value that are still to be made."""
    return sum(
        _value(a) != _value(b) and b["step_status"] == "planned"
        for a, b in pairwise(steps)
        if b["status"] in ("planned", "running")
    )


def _value(step: dict[str, Any]) -> tuple[str, str | None]:
    return step["value"], step["second_value"]


def _span(steps: Sequence[dict[str, Any]]) -> tuple[datetime, datetime] | None:
    """From the first step that was started to the end of the last one, as planned."""
    begun = [s for s in steps if s["done_at"] is not None]
    if not begun:
        return None
    last = begun[-1]
    return begun[0]["done_at"], last["done_at"] + timedelta(minutes=last["minutes"] or 0)


def _remarks(
    steps: Sequence[dict[str, Any]],
    spans: dict[str, tuple[datetime, datetime] | None],
    others: Sequence[Sequence[dict[str, Any]]],
    logged: Sequence[str],
    answered: bool,
    effects: pl.DataFrame,
) -> Iterator[str]:
    first, mine = steps[0], spans[steps[0]["delivery"]]
    if first["machine"] not in logged:
        known = ", ".join(f"'{name}'" for name in logged[:8]) or "none"
        yield (
            f"No harvest log names a machine '{first['machine']}' yet. Machines with readings: {known}; if it is one "
            "of them, correct the name in the trial's file, or add it to the machine's aliases in farm.toml."
        )
    elif first["status"] == "planned":
        yield "No logged change matches its steps yet."
    elif not answered:
        codes = effects["reasons"].explode().drop_nulls().unique().to_list() if effects.height else []
        yield "No answer yet: too little steady work on both sides of its switches." + (
            f" Reasons given: {', '.join(sorted(codes))}." if codes else ""
        )
    for other in others:
        theirs = spans[other[0]["delivery"]]
        if other[0]["delivery"] == first["delivery"] or other[0]["machine"] != first["machine"]:
            continue
        if mine and theirs and mine[0] < theirs[1] and theirs[0] < mine[1]:
            yield (
                f"It overlaps with the trial '{other[0]['trial']}' on the same machine: each change counts for one "
                "of them, and the other's changes are allowed for. Run one trial at a time."
            )
        elif other[0]["trial"] == first["trial"]:
            yield f"Another file plans a trial of the same name ({other[0]['file']}); give one of them another name."
    for state, group in groupby(steps, key=lambda s: s["step_status"]):
        if state == "skipped":
            numbers = [str(s["step"]) for s in group]
            yield f"Skipped: step{'s' if len(numbers) > 1 else ''} {', '.join(numbers)}."
    if first["status"] == "abandoned":
        yield "It was started and not continued; the steps that were done are used."
