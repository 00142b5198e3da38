"""Planned trials against the adjustments that were logged: what was done when, late, skipped, or added."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import groupby, pairwise
from typing import Any

import polars as pl
from chaffinch.pipelines.errors import counted
from chaffinch.pipelines.trials.done.alignment import Alignment, Run, Switch, align_runs
from chaffinch.pipelines.trials.written.plan_rows import PLANNED
from chaffinch.schemas.tables import tables

# A switch is late where the step before it lasted this much longer than planned, whichever is more.
LATE_SHARE, LATE_S = 0.5, 180.0
# A trial that was started and not continued while the machine went on working.
ABANDONED_AFTER = timedelta(days=3)
# Changes of the two settings of a trial this close together are one switch.
ONE_SWITCH_S = 120.0
# A logged number this near to a planned value, in parts of the way to the next one, is that value: displays round.
SAME_VALUE = 0.25
# What the adjustments of a trial carry.
TRIAL_COLUMNS = ("trial", "trial_from", "trial_to")
# Whether an adjustment is a switch of a trial that was kept to the minute.
ON_TIME = "on_time"
# Where half of the steps lasted as planned within this, the log's times are exact; else they may be written later.
KEPT_WITHIN_S = 120.0
# Steps of whole minutes put all switches of a trial on a grid of minutes, however exactly they were logged. So this
# is all that times on a coarser grid say of how exact they are: half a minute earlier, a minute later (seconds).
TO_THE_MINUTE = {"earlier_s": 30.0, "later_s": 60.0}
COARSE_GRID_S = 300.0
_OF_WHAT_WAS_DONE = ("done_at", "done_minutes", "deviation", "extra")


@dataclass(frozen=True, slots=True)
class _Found:
    """A trial and where it was found in the log. runs, switches : each with its planned steps, or with the places of
    its adjustments. alignment : None where the log has nothing of it."""

    steps: list[dict[str, Any]]
    runs: list[tuple[Run, list[dict[str, Any]]]]
    switches: list[tuple[Switch, list[int]]]
    alignment: Alignment | None


def match_trials(
    trials: pl.DataFrame, changes: Mapping[str, pl.DataFrame], last_seen: Mapping[str, datetime]
) -> tuple[pl.DataFrame, dict[str, pl.DataFrame]]:
    """Rows of ``trials`` with what was done, and the ``changes`` with the name of the ``trial`` that each is part of.

    trials : rows of the table. changes : real adjustments by machine, in order of time. last_seen : the last reading
    of each machine. Where two trials of a machine could claim the same changes, the one that fits them better has
    them. A change between values of a trial that was not planned is part of it too: the analysis is of what was done.
    Its values as the plan has them are ``trial_from`` and ``trial_to``.
    """
    if trials.is_empty():
        return trials, dict(changes)
    none = [*(pl.lit(None, pl.String).alias(name) for name in TRIAL_COLUMNS), pl.lit(False).alias(ON_TIME)]
    marked = {name: rows.with_columns(none) for name, rows in changes.items()}
    trials = trials.with_columns(
        pl.lit(PLANNED).alias("status"),
        pl.lit(PLANNED).alias("step_status"),
        *(pl.lit(None, trials.schema[name]).alias(name) for name in _OF_WHAT_WAS_DONE),
    )
    by_trial = trials.sort("delivery", "step").partition_by("delivery", maintain_order=True)
    done: list[dict[str, Any]] = []
    for machine in trials["machine"].unique().sort():
        waiting = [rows.to_dicts() for rows in by_trial if rows["machine"][0] == machine]
        log = marked.get(machine)
        while waiting:
            found = [_find(steps, log) for steps in waiting]
            order = sorted(range(len(found)), key=lambda k: -_score(found[k]))
            best = found[order[0]]
            waiting.remove(best.steps)
            done += _done(best, log, last_seen.get(machine))
            if log is not None and best.alignment is not None:
                log = _as_exact_as_known(log.with_columns(_marks(best, log)))
        if log is not None:
            marked[machine] = log
    return tables()["trials"].conform(pl.DataFrame(done, schema=trials.schema)), marked


def _kept_to_time(found: _Found) -> bool:
    """Whether the steps lasted about as long as planned, breaks of the work apart; true where none has minutes."""
    assert found.alignment is not None
    over = [
        abs(found.switches[i][0].time_s - found.switches[earlier][0].time_s - planned)
        for (before, earlier), (j, i) in pairwise(found.alignment.pairs)
        if j == before + 1 and (planned := found.runs[before][0].seconds) is not None
    ]
    return not over or sorted(over)[len(over) // 2] <= KEPT_WITHIN_S


def _as_exact_as_known(log: pl.DataFrame) -> pl.DataFrame:
    """The log with the times of switches that came on time taken to the minute, where only their grid seemed
    coarser."""
    if not set(TO_THE_MINUTE) <= set(log.columns):
        return log
    by_grid = pl.col(ON_TIME) & (pl.col("later_s") >= COARSE_GRID_S)
    return log.with_columns(
        pl.when(by_grid).then(pl.min_horizontal(name, pl.lit(most))).otherwise(name).alias(name)
        for name, most in TO_THE_MINUTE.items()
    )


def _score(found: _Found) -> float:
    return found.alignment.score if found.alignment else float("-inf")


def _find(steps: list[dict[str, Any]], log: pl.DataFrame | None) -> _Found:
    settings = [name for name in (steps[0]["setting"], steps[0]["second_setting"]) if name]
    runs = []
    for state, group in groupby(steps, key=lambda s: (s["value"], s["second_value"])[: len(settings)]):
        members = list(group)
        minutes = [s["minutes"] for s in members]
        seconds = 60.0 * sum(minutes) if all(m is not None for m in minutes) else None
        runs.append((Run(state, seconds), members))
    values = [steps[0]["values"], steps[0]["second_values"]]
    planned = {name: list(of or ()) for name, of in zip(settings, values, strict=False)}
    switches = _switches(log, planned) if log is not None else []
    alignment = align_runs([run for run, _ in runs], [switch for switch, _ in switches])
    return _Found(steps, runs, switches, alignment)


def _switches(log: pl.DataFrame, planned: Mapping[str, Sequence[str]]) -> list[tuple[Switch, list[int]]]:
    """Changes of the trial's settings that belong to no trial yet, with their places in ``log``.

    planned : values of each setting, by which logged numbers are recognised.
    """
    settings = list(planned)
    rows = log.with_row_index("_at").filter(
        pl.col("setting").is_in(settings), pl.col("trial").is_null(), pl.col("to_value").is_not_null()
    )
    # What each setting was at before its first change is in force until then.
    firsts = dict(rows.unique("setting", keep="first").select("setting", "from_value").iter_rows())
    in_force = [as_planned(firsts.get(name), planned[name]) for name in settings]
    found: list[tuple[Switch, list[int]]] = []
    for at, setting, moved, logged_before, logged in rows.select(
        "_at", "setting", _moved_s(log), "from_value", "to_value"
    ).iter_rows():
        before, after = (as_planned(value, planned[setting]) for value in (logged_before, logged))
        place = settings.index(setting)
        was = list(in_force)
        was[place] = before if before is not None else was[place]
        in_force[place] = after
        if len(settings) > 1 and found and moved - found[-1][0].time_s < ONE_SWITCH_S:
            first, places = found.pop()
            # Of a setting whose first change is this one, the value before becomes known now.
            earlier = tuple(a if a is not None else b for a, b in zip(first.before, was, strict=True))
            found.append((Switch(first.time_s, earlier, tuple(in_force)), [*places, at]))
        else:
            found.append((Switch(moved, tuple(was), tuple(in_force)), [at]))
    return found


def _moved_s(log: pl.DataFrame) -> pl.Expr:
    """Moment of each adjustment, s, by the harvest log's clock where that is known."""
    return pl.col("made_at" if "made_at" in log.columns else "time").dt.epoch("us") / 1e6


def as_planned(value: str | None, planned: Sequence[str]) -> str | None:
    """The planned value that a logged one means, within the rounding of displays; else as logged."""
    if value is None or value in planned:
        return value
    try:
        number, known = float(value), sorted(float(one) for one in planned)
    except ValueError:
        return value
    nearest = min(planned, key=lambda one: abs(float(one) - number))
    apart = min(b - a for a, b in pairwise(known))
    return nearest if abs(float(nearest) - number) <= SAME_VALUE * apart else value


def _done(found: _Found, log: pl.DataFrame | None, last_seen: datetime | None) -> list[dict[str, Any]]:
    """The rows of one trial with what was done of each step."""
    if found.alignment is None or log is None:
        return found.steps
    at = dict(found.alignment.pairs)
    last = max(at)
    when = {j: found.switches[i][0].time_s for j, i in at.items()}
    later = {j: _next_change(found, i) for j, i in at.items()}
    # Before its first switch a trial runs at the value that is planned first, if it was in force.
    if min(at) == 1 and _may_be(found.switches[at[1]][0].before, found.runs[0][0].state):
        when[0] = later[0] = None  # type: ignore[assignment]
    status = "running"
    if last == len(found.runs) - 1:
        status = "finished"
    elif last_seen is not None and last_seen - _moment(when[last]) > ABANDONED_AFTER:
        status = "abandoned"
    extra = _extra(found, log, when, status)
    rows = []
    for j, (_, steps) in enumerate(found.runs):
        begins = when.get(j)
        for place, step in enumerate(steps):
            known = {"status": status, "extra": extra}
            if j in when:
                state, deviation = _timing(found, j, when) if place == 0 else ("done", None)
                gone = sum(60.0 * (s["minutes"] or 0.0) for s in steps[:place])
                known |= {
                    "step_status": state,
                    "done_at": None if begins is None else _moment(begins + gone),
                    "done_minutes": _minutes(begins, later.get(j))
                    if place == len(steps) - 1
                    else step["minutes"],
                    "deviation": deviation,
                }
            elif j < last:
                known |= {"step_status": "skipped", "deviation": "the value was not set"}
            rows.append(step | known)
    return rows


def _may_be(before: Sequence[str | None], state: Sequence[str]) -> bool:
    """Whether what was in force is ``state``, as far as it is known."""
    return all(a in (None, b) for a, b in zip(before, state, strict=True))


def _moment(seconds: float) -> datetime:
    return datetime.fromtimestamp(round(seconds), UTC)


def _minutes(begins: float | None, ends: float | None) -> float | None:
    return None if begins is None or ends is None else round((ends - begins) / 60.0, 1)


def _next_change(found: _Found, i: int) -> float | None:
    return found.switches[i + 1][0].time_s if i + 1 < len(found.switches) else None


def _timing(found: _Found, j: int, when: Mapping[int, float | None]) -> tuple[str, str | None]:
    """``done`` or ``late``, and how the step before it differed in length from the plan."""
    now, before = when[j], when.get(j - 1)
    planned = found.runs[j - 1][0].seconds if j else None
    if now is None or before is None or planned is None:
        return "done", None
    over = now - before - planned
    allowed = max(LATE_S, LATE_SHARE * planned)
    minutes = counted(max(1, round(abs(over) / 60)), "minute")
    if over > allowed:
        return "late", f"switched {minutes} later than planned"
    return "done", f"switched {minutes} earlier than planned" if over < -allowed else None


def _span(found: _Found, when: Mapping[int, float | None]) -> tuple[float, float]:
    """Seconds from the first switch of a trial to the end of its last step that was begun."""
    known = [t for t in when.values() if t is not None]
    assert found.alignment is not None
    j, i = found.alignment.pairs[-1]
    planned = found.runs[j][0].seconds
    ends = known[-1] if planned is None else max(known) + planned
    follows = _next_change(found, i)
    return min(known), max(known) if follows is not None and follows < ends else ends


def _extra(found: _Found, log: pl.DataFrame, when: Mapping[int, float | None], status: str) -> int:
    """Adjustments of any setting between the first and the last switch that are no planned switch."""
    assert found.alignment is not None
    first, last = _span(found, when)
    if status != "finished":
        last = max(t for t in when.values() if t is not None)
    planned = {at for _, i in found.alignment.pairs for at in found.switches[i][1]}
    during = log.with_row_index("_at").filter(
        _moved_s(log).is_between(first, last), ~pl.col("_at").is_in(list(planned))
    )
    return during.height


def _marks(found: _Found, log: pl.DataFrame) -> list[pl.Series]:
    """``TRIAL_COLUMNS`` and ``ON_TIME``, of the changes between values of the trial from its first switch on."""
    assert found.alignment is not None
    pairs, settings = found.alignment.pairs, [found.steps[0]["setting"], found.steps[0]["second_setting"]]
    states = {run.state for run, _ in found.runs}
    marks = {name: log[name].to_list() for name in TRIAL_COLUMNS}
    of_setting, on_time, kept = log["setting"].to_list(), log[ON_TIME].to_list(), _kept_to_time(found)
    # What puts the first value in force is not between values of the trial.
    begins = pairs[0][1] + (pairs[0][0] == 0)
    for i in range(begins, pairs[-1][1] + 1):
        switch, places = found.switches[i]
        # Where no log knows what was in force before, the plan's first value is assumed.
        before = tuple(
            a if a is not None else b for a, b in zip(switch.before, found.runs[0][0].state, strict=True)
        )
        if switch.after in states and before in states and before != switch.after:
            for at in places:
                on_time[at] = kept
                place = settings.index(of_setting[at])
                values = (found.steps[0]["trial"], before[place], switch.after[place])
                for name, value in zip(TRIAL_COLUMNS, values, strict=True):
                    marks[name][at] = value
    return [
        *(pl.Series(name, values, dtype=pl.String) for name, values in marks.items()),
        pl.Series(ON_TIME, on_time, dtype=pl.Boolean),
    ]
