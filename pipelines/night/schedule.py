"""Times of a schedule in five fields: minute, hour, day of month, month, day of week (POSIX crontab)."""

from __future__ import annotations

import time
from dataclasses import dataclass
from datetime import datetime, timedelta

from chaffinch.pipelines.errors import CallError

_FIELDS = (
    ("minute", 0, 59),
    ("hour", 0, 23),
    ("day of month", 1, 31),
    ("month", 1, 12),
    ("day of week", 0, 7),
)
# The rarest moment, 29 February, comes within eight years.
_LONGEST_WAIT_DAYS = 366 * 8 + 2
_LONGEST_SLEEP_S = 60.0


@dataclass(frozen=True, slots=True)
class Schedule:
    """Moments in local time: the allowed values of each field; Sunday is 0.

    ``either_day``: where both days are restricted, one of them is enough (POSIX).
    """

    minutes: frozenset[int]
    hours: frozenset[int]
    days: frozenset[int]
    months: frozenset[int]
    weekdays: frozenset[int]
    either_day: bool

    def on_day(self, day: datetime) -> bool:
        """Whether the schedule has moments on this day."""
        by_date, by_week = day.day in self.days, day.isoweekday() % 7 in self.weekdays
        wanted = by_date or by_week if self.either_day else by_date and by_week
        return wanted and day.month in self.months

    def next_after(self, moment: datetime) -> datetime:
        """The first moment of the schedule after ``moment``. Raises ``CallError`` where there is none."""
        start = moment.replace(second=0, microsecond=0) + timedelta(minutes=1)
        midnight = start.replace(hour=0, minute=0)
        for ahead in range(_LONGEST_WAIT_DAYS):
            day = midnight + timedelta(days=ahead)
            if not self.on_day(day):
                continue
            for hour in sorted(self.hours):
                for minute in sorted(self.minutes):
                    if (found := day.replace(hour=hour, minute=minute)) >= start:
                        return found
        raise CallError("The schedule names a day that never comes.")


def parse_schedule(text: str) -> Schedule:
    """``"30 2 * * *"`` and the like: ``*``, numbers, ranges, lists and steps. Raises ``CallError``."""
    parts = text.split()
    if len(parts) != len(_FIELDS):
        raise CallError(
            f"'{text}' is no schedule: write five fields (minute, hour, day of month, month, day of week), "
            'such as "30 2 * * *" for half past two each night.'
        )
    values = [_values(part, *field) for part, field in zip(parts, _FIELDS, strict=True)]
    weekdays = frozenset(day % 7 for day in values[4])
    either = parts[2] != "*" and parts[4] != "*"
    return Schedule(values[0], values[1], values[2], values[3], weekdays, either)


def wait_until(moment: datetime) -> None:
    """Sleep until ``moment`` in local time, in short pieces, so that a clock that is set is noticed."""
    while (left := (moment - datetime.now()).total_seconds()) > 0:
        time.sleep(min(left, _LONGEST_SLEEP_S))


def _values(part: str, name: str, low: int, high: int) -> frozenset[int]:
    found: set[int] = set()
    for piece in part.split(","):
        span, _, step = piece.partition("/")
        first, dash, last = (str(low), "-", str(high)) if span == "*" else span.partition("-")
        numbers = [first, last if dash else first, step or "1"]
        if not all(number.isascii() and number.isdigit() for number in numbers):
            raise CallError(f"'{piece}' in the schedule is no {name}; write *, a number, a range or a step.")
        start, end, every = map(int, numbers)
        end = high if step and not dash else end
        if not (low <= start <= end <= high and every):
            raise CallError(f"'{piece}' in the schedule is no {name}: it lies outside {low} to {high}.")
        found.update(range(start, end + 1, every))
    return frozenset(found)
