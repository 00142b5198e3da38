"""UTC of the logs of one task set: which zone each log's clock runs at, and how that is known.

In order of trust: the zone that ``farm.toml`` states, satellite time in the log, satellite time in another
log, a zone written into the times of the task, one written for another task. One terminal wrote the whole set and
has one clock, whatever machine a log is of; logs of the same machine and near in time go first. Without any of
them the times are read as UTC, and a note says so.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import polars as pl
from chaffinch.pipelines.ingest.task_data.files.task_objects import TimeSpan
from chaffinch.pipelines.ingest.task_data.records.clock_offset import Offset, written_offset, zone_text

# From this clock error on a settings log by another clock is blurred.
NOTABLE_S = 30.0
DEGREES_AN_HOUR = 15.0
UNKNOWN_ZONE = (
    "the time zone of the terminal's clock is not known, so its times are read as UTC; "
    "state time_zone in farm.toml if they are local."
)


@dataclass(frozen=True, slots=True)
class LocalTimeLog:
    """Readings whose ``local_us`` is the terminal's clock still.

    zone : of the clock, where ``farm.toml`` states it. crops : crops of the task and when each began, as written,
    where there are several. satellites : what satellite time in it shows, see ``satellite_offset``. task, times : the
    task it belongs to and the times written for that.
    """

    frame: pl.DataFrame
    stem: str
    machine: str
    zone: str | None
    satellites: Offset | str | None
    task: str
    times: tuple[TimeSpan, ...]
    crops: tuple[tuple[str, str], ...] = ()

    @property
    def begin_us(self) -> int:
        return int(self.frame["local_us"][0])

    @property
    def span_us(self) -> tuple[int, int]:
        """First and last moment, microseconds of the terminal's clock."""
        local = self.frame["local_us"]
        return int(local.min() or 0), int(local.max() or 0)  # type: ignore[arg-type]


@dataclass(frozen=True, slots=True)
class UtcLog:
    """``frame`` with ``time`` in UTC in place of ``local_us``. ``asked``: notes that ask something."""

    frame: pl.DataFrame
    notes: tuple[str, ...]
    asked: tuple[str, ...]


def on_utc(logs: Sequence[LocalTimeLog]) -> Iterator[UtcLog]:
    """Each log of one task set with its times in UTC."""
    from chaffinch.pipelines.ingest.text.time_zones import to_utc

    written = {
        task: written_offset(log.times, [one.span_us for one in logs if one.task == task])
        for task, log in {log.task: log for log in logs}.items()
    }
    for log in logs:
        local = log.frame["local_us"].cast(pl.Datetime("us"))
        notes, asked = _by_satellites(log)
        found = None if log.zone is not None else _offset(log, logs, written)
        zone, of_other = (log.zone, "") if log.zone is not None else _zone_of_another(log, logs)
        if zone is not None and found is None:
            moments, changes = to_utc(local, zone)
            notes += [*([of_other] if of_other else []), *changes]
            asked += _contradiction(log, local, moments)
        else:
            offset, how = found or (0, [UNKNOWN_ZONE])
            notes += how
            moments = (local - timedelta(seconds=offset)).dt.replace_time_zone("UTC")
        stem = log.stem
        frame = _with_crops(log.frame, local, moments, log.crops)
        notes += (
            [f"its task holds {len(log.crops)} crops by the times of their allocation."] if log.crops else []
        )
        yield UtcLog(
            frame.drop("local_us").insert_column(1, moments.cast(pl.Datetime("us", "UTC")).alias("time")),
            tuple(f"{stem}: {note}" for note in notes),
            tuple(f"{stem}: {note}" for note in asked),
        )


def _with_crops(
    frame: pl.DataFrame, local: pl.Series, moments: pl.Series, crops: Sequence[tuple[str, str]]
) -> pl.DataFrame:
    """``frame`` with the crop whose allocation began last before each reading, the first one before all.

    A time that is written without a zone is the terminal's clock.
    """
    crop = pl.lit(crops[0][0] if crops else None)
    for name, written in crops:
        try:
            begun = datetime.fromisoformat(written)
        except ValueError:
            continue
        later = moments >= begun if begun.tzinfo is not None else local >= begun
        crop = pl.when(later).then(pl.lit(name)).otherwise(crop)
    return frame.with_columns(crop.alias("crop")) if crops else frame


def _by_satellites(log: LocalTimeLog) -> tuple[list[str], list[str]]:
    """What satellite time shows of the clock: as a note, or as something asked when the clock is off."""
    if isinstance(log.satellites, str):
        return [log.satellites], []
    if log.satellites is None:
        return [], []
    if log.satellites.copied and log.zone is None and _far_from_utc(log.frame):
        return [], [
            "satellite time is the terminal's clock in every record, so it may be a copy of it; it was read as "
            "UTC. State time_zone in farm.toml if that clock is local."
        ]
    far_off = abs(log.satellites.error_s) >= NOTABLE_S
    return ([], [log.satellites.sentence]) if far_off else ([log.satellites.sentence], [])


def _far_from_utc(frame: pl.DataFrame) -> bool:
    """Whether the sun's time where the log was made is an hour or more from UTC (15 degrees an hour)."""
    middle = frame["longitude"].median()
    return isinstance(middle, float) and abs(middle) >= DEGREES_AN_HOUR


def _contradiction(log: LocalTimeLog, local: pl.Series, moments: pl.Series) -> list[str]:
    """A sentence when the zone that ``farm.toml`` states differs from satellite time."""
    if not isinstance(log.satellites, Offset):
        return []
    stated_s = round((local[0] - moments[0].replace(tzinfo=None)).total_seconds())
    if stated_s == log.satellites.seconds:
        return []
    return [
        f"time_zone in farm.toml puts the clock {zone_text(stated_s)}, satellite time in the log "
        f"{zone_text(log.satellites.seconds)}; farm.toml was followed."
    ]


def _offset(
    log: LocalTimeLog, logs: Sequence[LocalTimeLog], written: dict[str, Offset | None]
) -> tuple[int, list[str]] | None:
    """Seconds to take off the clock of ``log``, and a note on how they are known, unless by its own satellites.

    None where neither satellites nor written times show it.
    """
    if isinstance(log.satellites, Offset):
        return log.satellites.seconds, []
    others = _others(log, logs)
    for one in others:
        if isinstance(one.satellites, Offset):
            zone = one.satellites.seconds
            return zone, [f"The terminal's clock runs {zone_text(zone)} by satellite time in {one.stem}."]
    own = written.get(log.task)
    if own is not None:
        return own.seconds, [own.sentence]
    for one in others:
        other = written.get(one.task)
        if other is not None:
            return other.seconds, [
                f"The terminal's clock runs {zone_text(other.seconds)} by the times written for the task of "
                f"{one.stem}."
            ]
    return None


def _others(log: LocalTimeLog, logs: Sequence[LocalTimeLog]) -> list[LocalTimeLog]:
    """The other logs of the terminal: those of the same machine first, then by nearness in time."""
    return sorted(
        (one for one in logs if one is not log),
        key=lambda one: (one.machine != log.machine, abs(one.begin_us - log.begin_us)),
    )


def _zone_of_another(log: LocalTimeLog, logs: Sequence[LocalTimeLog]) -> tuple[str | None, str]:
    """The zone that ``farm.toml`` states for another machine of the terminal, and a note on that."""
    for one in _others(log, logs):
        if one.zone is not None:
            return (
                one.zone,
                f"The terminal's clock runs in {one.zone}, as farm.toml states for {one.machine}.",
            )
    return None, ""
