"""The clock of a log: wall time of the terminal, and how far it is from UTC.

The standard leaves open which clock a log shows; normally it is local. Known from satellite time in
the log, or by a zone written into the times of TASKDATA.XML. ``utc`` decides for the logs of a set.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
from chaffinch.pipelines.array_types import Ints, Structured
from chaffinch.pipelines.ingest.task_data.files.task_objects import TimeSpan
from chaffinch.pipelines.ingest.task_data.records.log_header import LogHeader
from chaffinch.pipelines.ingest.task_data.records.resync import DAY_MS, FIRST_DAY, LAST_DAY, UNKNOWN_TIME

EPOCH_DAYS = 3652  # 1980-01-01 in days since 1970-01-01
US = 1000
HOUR_S = 3600
ENOUGH_RECORDS = 30
SAME_S = 2.0
MAX_CLOCK_ERROR_S = 180
# A log begins with its task to within this.
BEGINS_WITH_TASK_S = 60
QUARTERS_IN_USE = {
    -38,
    -14,
    -10,
    14,
    18,
    22,
    23,
    26,
    35,
    38,
    42,
    51,
}  # zones off the full hour, quarter hours


@dataclass(frozen=True, slots=True)
class Offset:
    """``seconds`` to take off the terminal's clock to have UTC; ``sentence`` says how that is known.

    error_s : how far the clock is ahead of true time beyond that, as satellite time shows. copied : whether
    satellite time is the terminal's clock to the millisecond in every record, which suggests a copy of it.
    """

    seconds: int
    sentence: str
    error_s: float = 0.0
    copied: bool = False


def local_moments(fixed: Structured, header: LogHeader, count: int) -> Ints:
    """(R,) terminal's clock in microseconds since 1970, without a zone; NaT (minimum of int64) where unknown.

    A date that turns a few records before or after midnight does is corrected.
    """
    missing = np.iinfo(np.int64).min
    if not header.timed:
        start = header.start
        moment = missing if start is None else int((start - datetime(1970, 1, 1)) / timedelta(microseconds=1))
        return np.full(count, moment, np.int64)
    days, milliseconds = fixed["date"].astype(np.int64), fixed["time"].astype(np.int64)
    known = (days >= FIRST_DAY) & (days <= LAST_DAY) & (milliseconds < DAY_MS)
    total = (days + EPOCH_DAYS) * DAY_MS + milliseconds
    rows = np.flatnonzero(known)
    total[rows] += DAY_MS * _midnight_slips(total[rows])
    return np.where(known & (fixed["time"] != UNKNOWN_TIME), total * US, missing)


def _midnight_slips(milliseconds: Ints) -> Ints:
    """Days to add to each moment: the date turned late (+1) or early (-1) against the time of day.

    Such a slip is a jump of a day one way; while it lasts the moments are a day off.
    """
    steps = np.diff(milliseconds)
    hour = HOUR_S * 1000
    correction = np.zeros(len(milliseconds), np.int64)
    jumps = np.flatnonzero(np.abs(np.abs(steps) - DAY_MS) < hour).tolist()
    off_until = 0
    for jump, following in zip(jumps, [*jumps[1:], len(steps)], strict=False):
        if jump < off_until:
            continue
        back = steps[jump] < 0
        paired = following < len(steps) and (steps[following] < 0) != back
        near = paired and abs(int(milliseconds[following]) - int(milliseconds[jump + 1])) < hour
        if back or near:
            off_until = following + 1 if paired else len(milliseconds)
            correction[jump + 1 : off_until] = 1 if back else -1
    return correction


def satellite_offset(fixed: Structured, local_us: Ints) -> Offset | str | None:
    """Offset of the terminal's clock by logged satellite UTC; a sentence when that is there but of no use."""
    names = fixed.dtype.names or ()
    if "gps_time" not in names:
        return None
    milliseconds = fixed["gps_time"].astype(np.int64)
    usable = (milliseconds < DAY_MS) & (milliseconds > 0) & (local_us != np.iinfo(np.int64).min)
    if "gps_date" in names:
        days = fixed["gps_date"].astype(np.int64)
        usable &= (days >= FIRST_DAY) & (days <= LAST_DAY)
    if usable.sum() < min(ENOUGH_RECORDS, max(1, len(fixed) // 2)):
        return "Satellite time in the log is empty or impossible; it was not used."
    local_ms = local_us[usable] / US
    if "gps_date" in names:
        ahead_s = (local_ms - (days[usable] + EPOCH_DAYS) * DAY_MS - milliseconds[usable]) / 1000.0
    else:
        # Without a date: the difference of the times of day that is less than half a day.
        ahead_s = ((local_ms - milliseconds[usable] + DAY_MS / 2) % DAY_MS - DAY_MS / 2) / 1000.0
    middle = float(np.median(ahead_s))
    if np.mean(np.abs(ahead_s - middle) <= SAME_S) < 0.9:
        return "Satellite time in the log does not keep step with the terminal's clock; it was not used."
    zone = _zone_s(middle)
    if zone is None:
        return (
            f"Satellite time differs from the terminal's clock by {_span(middle)}, which is not a time zone; "
            "it was not used."
        )
    error = middle - zone
    off = (
        f"; the clock is {_span(error)} {'ahead of' if error > 0 else 'behind'} the satellites"
        if abs(error) >= 1
        else ""
    )
    sentence = f"The terminal's clock runs {zone_text(zone)} by satellite time{off}."
    return Offset(zone, sentence, error, bool((ahead_s == 0).all()))


def written_offset(times: Sequence[TimeSpan], logs: Sequence[tuple[int, int]]) -> Offset | None:
    """Offset by a zone written into the times of a task.

    logs : (first, last) moment of each log of the task, microseconds of the terminal's clock. Of the zones
    that let a log begin with one of the times, and those written, the one under which most logs lie inside
    the times; then the one that is written (a terminal that writes +02:00 shows that clock), then the one
    under which the earliest log begins first. None when no log lies inside under any.
    """
    spans = [span for span in map(_written_span, times) if span is not None]
    starts = sorted(first for first, _ in logs)
    found: dict[int, tuple[int, bool, int]] = {}
    for start_s, _, written in spans:
        begun = [(_zone_begun(first / 1e6 - start_s), -order) for order, first in enumerate(starts)]
        for zone, order in [*begun, (written or None, -len(logs))]:
            if zone is not None:
                inside = sum(_inside(first / 1e6, last / 1e6, zone, spans) for first, last in logs)
                found[zone] = max(found.get(zone, (0, False, order)), (inside, zone == written != 0, order))
    best = max(found, key=lambda zone: found[zone], default=None)
    if best is None or not found[best][0]:
        return None
    return Offset(best, f"The terminal's clock runs {zone_text(best)} by the times written for the task.")


def _written_span(span: TimeSpan) -> tuple[float, float, int] | None:
    """Start and stop in seconds of UTC (infinite when open), and the offset written; None without a zone."""
    try:
        start = datetime.fromisoformat(span.start or "")
    except ValueError:
        return None
    ahead = start.utcoffset()
    if ahead is None:
        return None
    try:
        stop = datetime.fromisoformat(span.stop or "")
    except ValueError:
        stop = None
    stop_s = float("inf") if stop is None or stop.utcoffset() is None else stop.timestamp()
    return start.timestamp(), stop_s, round(ahead.total_seconds())


def _zone_begun(ahead_s: float) -> int | None:
    """The zone under which a log begins with its task."""
    zone = _zone_s(ahead_s)
    return None if zone is None or abs(ahead_s - zone) > BEGINS_WITH_TASK_S else zone


def _inside(first_s: float, last_s: float, zone: int, spans: Sequence[tuple[float, float, int]]) -> bool:
    return any(
        start - MAX_CLOCK_ERROR_S <= first_s - zone and last_s - zone <= stop + MAX_CLOCK_ERROR_S
        for start, stop, _ in spans
    )


def _zone_s(ahead_s: float) -> int | None:
    """The zone in use nearest to an offset, when it explains all but a small clock error."""
    quarters = round(ahead_s / 900)
    in_use = -48 <= quarters <= 56 and (quarters % 4 == 0 or quarters in QUARTERS_IN_USE)
    return quarters * 900 if in_use and abs(ahead_s - quarters * 900) <= MAX_CLOCK_ERROR_S else None


def zone_text(zone_s: int) -> str:
    """``at UTC+02:00`` for 7200."""
    sign = "-" if zone_s < 0 else "+"
    return f"at UTC{sign}{abs(zone_s) // 3600:02d}:{abs(zone_s) % 3600 // 60:02d}" if zone_s else "at UTC"


def _span(seconds: float) -> str:
    whole = round(abs(seconds))
    if whole < 120:
        return f"{whole} s"
    hours, minutes = divmod(round(whole / 60), 60)
    return f"{hours} h {minutes} min" if hours else f"{minutes} min"
