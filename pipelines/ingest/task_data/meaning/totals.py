"""Totals that the machine wrote at the end of a task, compared with the integrated log."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import polars as pl
from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.ingest.task_data.files.dictionary import identifiers
from chaffinch.pipelines.ingest.task_data.files.task_objects import Task
from chaffinch.pipelines.ingest.task_data.meaning.derived_channels import CROP_MASS
from chaffinch.pipelines.ingest.task_data.records.log_reading import LogData

AREA, TIME_IN_WORK = 116, 119
COMPARED = ((CROP_MASS, "crop mass", "kg"), (AREA, "area", "m2"), (TIME_IN_WORK, "time in work", "s"))
LONGEST_STEP_S = 10.0
WORTH_TELLING = 0.02
# Further apart than this, something is wrong with a sensor, the width or the log. Common practice, no source.
WORTH_ASKING = 0.15


def growth(log: LogData) -> dict[int, float]:
    """What the totals of a task grew by within one log, where a fall begins a new count.

    Of several elements that count, the one that counts most.
    """
    grown: dict[int, float] = {}
    for column, values in zip(log.columns, log.values, strict=True):
        number = column.place.identifier
        if number in (CROP_MASS, AREA, TIME_IN_WORK) and len(values) > 1:
            steps = np.diff(values)
            grown[number] = max(grown.get(number, 0.0), float(steps[steps > 0].sum()))
    return grown


def shown_totals(task: Task) -> str:
    """The totals written at the end of a task, as a list for people; empty where there are none."""
    shown: dict[str, str] = {}
    for span in task.times:
        for number, _, raw in span.totals:
            entry = identifiers().get(number)
            if entry is not None and entry.kind == "total" and 0 < raw < 2**31 - 1:
                value = float(entry.resolution) * raw
                shown[entry.label] = f"{entry.label} {value:,.10g} {entry.unit}".strip()
    return ", ".join(shown.values())


def compare_totals(
    task: Task, grown: Sequence[Mapping[int, float]], logs: Sequence[tuple[str, pl.DataFrame]]
) -> list[tuple[str, bool]]:
    """Sentences on how far the totals of a task are from what its logs add up to, and whether it is far.

    grown : what each of its logs grew by. logs : name and readings of each. Crop mass [kg] is the flow over time,
    area [m2] width times speed over time in work, each step counted up to ten seconds. The written total
    of a task is the largest that its times hold, or their sum where that is nearer; without one, what it grew by.
    """
    summed_up = {number: sum(one.get(number, 0.0) for one in grown) for number, *_ in COMPARED}
    totals = _written(task) or {number: (most, most) for number, most in summed_up.items()}
    if not logs:
        return []
    added = [sum(parts) for parts in zip(*(_added(frame) for _, frame in logs), strict=True)]
    found = []
    for (number, name, unit), own in zip(COMPARED, added, strict=True):
        largest, summed = totals.get(number, (0.0, 0.0))
        if not largest or own <= 0:
            continue
        # A total should go on over pauses of a task; some devices restart it.
        restarted = abs(own / summed - 1) < abs(own / largest - 1)
        total = summed if restarted else largest
        apart = own / total - 1
        verdict = f"{apart:+.1%}" if abs(apart) >= WORTH_TELLING else "they agree"
        how = "totals, summed over the times of the task," if restarted else "total"
        sentence = (
            f"{logs[0][0]}: {name} by the machine's own {how} {total:,.0f} {unit}, by the log "
            f"{own:,.0f} {unit} ({verdict})."
        )
        found.append((sentence, abs(apart) >= WORTH_ASKING))
    return found


def _written(task: Task) -> Mapping[int, tuple[float, float]]:
    """The largest total written for the task, and the sum of the largest of each of its times."""
    totals: dict[int, tuple[float, float]] = {}
    for span in task.times:
        of_span: dict[int, float] = {}
        for number, _, raw in span.totals:
            if number in (CROP_MASS, AREA, TIME_IN_WORK) and 0 < raw < 2**31 - 1:
                of_span[number] = max(of_span.get(number, 0.0), float(raw))
        for number, most in of_span.items():
            largest, summed = totals.get(number, (0.0, 0.0))
            totals[number] = max(largest, most), summed + most
    return totals


def _added(frame: pl.DataFrame) -> tuple[float, float, float]:
    seconds = np.diff(frame["local_us"].to_numpy()) / 1e6
    seconds = np.where((seconds > 0) & (seconds <= LONGEST_STEP_S), seconds, 0.0)
    in_work = _column(frame, "working", 1.0)[:-1] == 1
    flow = _column(frame, "grain_flow_kg_s", 0.0)[:-1]
    rate = (_column(frame, "working_width_m", 0.0) * _column(frame, "speed_m_s", 0.0))[:-1]
    return (
        float(np.nansum(flow * seconds)),
        float(np.nansum(np.where(in_work, rate, 0.0) * seconds)),
        float(np.sum(seconds[in_work])) if "working" in frame.columns else 0.0,
    )


def _column(frame: pl.DataFrame, name: str, default: float) -> Array:
    if name not in frame.columns:
        return np.full(len(frame), default)
    return frame[name].cast(pl.Float64).to_numpy()
