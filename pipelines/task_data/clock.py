"""The clock of the log: wall time of the terminal, and how far it is from UTC.

The standard leaves open which clock a log shows; normally it is local. In order of trust: the zone that
``farm.toml`` states, satellite time logged beside it, a zone written into the times of TASKDATA.XML. Without
any of them the times are taken for UTC and a note says so.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

import numpy as np
from chaffinch.pipelines.task_data.log_header import LogHeader
from chaffinch.pipelines.task_data.resync import DAY_MS, FIRST_DAY, LAST_DAY, UNKNOWN_TIME
from chaffinch.pipelines.task_data.task_file import TimeSpan
from numpy.typing import NDArray

if TYPE_CHECKING:
    import polars as pl

EPOCH_DAYS = 3652  # 1980-01-01 in days since 1970-01-01
US = 1000
HOUR_S = 3600
ENOUGH_RECORDS = 30
SAME_S = 2.0
MAX_CLOCK_ERROR_S = 180
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
    """``seconds`` to take off the terminal's clock to have UTC; ``sentence`` says how that is known."""

    seconds: int
    sentence: str


def local_moments(fixed: NDArray[np.void], header: LogHeader, count: int) -> NDArray[np.int64]:
    """(R,) terminal's clock in microseconds since 1970, without a zone; NaT (minimum of int64) where unknown.

    A date that turns a few records before or after midnight does is put right.
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


def _midnight_slips(milliseconds: NDArray[np.int64]) -> NDArray[np.int64]:
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


def utc_moments(
    local_us: NDArray[np.int64], fixed: NDArray[np.void], times: Sequence[TimeSpan], zone: str | None
) -> tuple[pl.Series, list[str]]:
    """The terminal's clock as UTC, and sentences on how its zone is known.

    zone : the one that ``farm.toml`` states, if any. times : those written for the task.
    """
    import polars as pl
    from chaffinch.pipelines.ingest.clocks import to_utc

    satellites = satellite_offset(fixed, local_us)
    said = [satellites.sentence if isinstance(satellites, Offset) else satellites] if satellites else []
    local = pl.Series(local_us).cast(pl.Datetime("us"))
    if zone is not None:
        moments, notes = to_utc(local, zone)
        return moments, [*said, *notes]
    offset = satellites if isinstance(satellites, Offset) else written_offset(times, int(local_us[0]))
    if offset is None:
        unknown = (
            "nothing tells the zone of the terminal's clock, so its times are taken as UTC; "
            "state time_zone in farm.toml if they are local."
        )
        return local.dt.replace_time_zone("UTC"), [*said, unknown]
    moments = pl.Series(local_us - offset.seconds * 1_000_000).cast(pl.Datetime("us", "UTC"))
    return moments, said if offset is satellites else [*said, offset.sentence]


def satellite_offset(fixed: NDArray[np.void], local_us: NDArray[np.int64]) -> Offset | str | None:
    """Offset of the terminal's clock by logged satellite UTC; a sentence when that is there but of no use."""
    names = fixed.dtype.names or ()
    if "gps_time" not in names or "gps_date" not in names:
        return None
    days, milliseconds = fixed["gps_date"].astype(np.int64), fixed["gps_time"].astype(np.int64)
    usable = (days >= FIRST_DAY) & (days <= LAST_DAY) & (milliseconds < DAY_MS) & (milliseconds > 0)
    usable &= local_us != np.iinfo(np.int64).min
    if usable.sum() < min(ENOUGH_RECORDS, max(1, len(fixed) // 2)):
        return "Satellite time in the log is empty or impossible; it was not used."
    utc_ms = (days[usable] + EPOCH_DAYS) * DAY_MS + milliseconds[usable]
    ahead_s = (local_us[usable] / US - utc_ms) / 1000.0
    middle = float(np.median(ahead_s))
    if np.mean(np.abs(ahead_s - middle) <= SAME_S) < 0.9:
        return "Satellite time in the log does not keep step with the terminal's clock; it was not used."
    zone = _zone_s(middle)
    if zone is None:
        return (
            f"Satellite time differs from the terminal's clock by {_span(middle)}, which is no time zone; "
            "it was not used."
        )
    error = middle - zone
    off = (
        f"; the clock is {_span(error)} {'ahead of' if error > 0 else 'behind'} the satellites"
        if abs(error) >= 1
        else ""
    )
    return Offset(zone, f"The terminal's clock runs {_zone_text(zone)} by satellite time{off}.")


def written_offset(times: Sequence[TimeSpan], first_us: int) -> Offset | None:
    """Offset by a zone written into the times of the task, where the log begins at one of those times."""
    for span in times:
        try:
            start = datetime.fromisoformat(span.start or "")
        except ValueError:
            continue
        if start.utcoffset() is None:
            continue
        ahead_s = first_us / 1e6 - start.timestamp()
        zone = _zone_s(ahead_s)
        if zone is not None:
            return Offset(
                zone, f"The terminal's clock runs {_zone_text(zone)} by the times written for the task."
            )
    return None


def _zone_s(ahead_s: float) -> int | None:
    """The zone in use nearest to an offset, when it explains all but a small clock error."""
    quarters = round(ahead_s / 900)
    in_use = -48 <= quarters <= 56 and (quarters % 4 == 0 or quarters in QUARTERS_IN_USE)
    return quarters * 900 if in_use and abs(ahead_s - quarters * 900) <= MAX_CLOCK_ERROR_S else None


def _zone_text(zone_s: int) -> str:
    sign = "-" if zone_s < 0 else "+"
    return f"at UTC{sign}{abs(zone_s) // 3600:02d}:{abs(zone_s) % 3600 // 60:02d}" if zone_s else "at UTC"


def _span(seconds: float) -> str:
    whole = round(abs(seconds))
    if whole < 120:
        return f"{whole} s"
    hours, minutes = divmod(round(whole / 60), 60)
    return f"{hours} h {minutes} min" if hours else f"{minutes} min"
