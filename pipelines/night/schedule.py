"""Times of a schedule in the five fields of a crontab: minute, hour, day of month, month, day of week.

Each night is a process of its own, so that nothing that happens in one ends the schedule.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from datetime import datetime

from chaffinch.pipelines.errors import CallError
from chaffinch.pipelines.parallel.children import start_child, stop_child
from cronsim import CronSim, CronSimError

_LONGEST_SLEEP_S = 60.0
# A night that is stopped keeps what it has ingested, and ends its server.
_LONGEST_STOP_S = 20.0


def next_night(schedule: str, after: datetime) -> datetime:
    """The first time of ``schedule`` after ``after``, both local. Raises ``CallError`` where there is none."""
    try:
        if len(schedule.split()) != 5:
            raise CronSimError("Wrong number of fields")
        return next(CronSim(schedule, after))
    except (CronSimError, StopIteration) as error:
        reason = str(error) or "It never comes"
        raise CallError(
            f"'{schedule}' is not a valid schedule ({reason}): write five fields (minute, hour, day of month, "
            'month, day of week), such as "30 2 * * *" for half past two each night.'
        ) from None


def wait_until(moment: datetime) -> None:
    """Sleep until ``moment`` in local time, in short pieces, so that a change of the clock is noticed."""
    while (left := (moment - datetime.now()).total_seconds()) > 0:
        time.sleep(min(left, _LONGEST_SLEEP_S))


def night_of_its_own(call: Sequence[str], say: Callable[[str], None]) -> None:
    """Run the program ``call``, which is one night, and wait for its end; Ctrl+C stops it too."""
    try:
        night = start_child(call)
    except OSError as error:
        say(f"This night could not be started: {error.strerror}.")
        return
    try:
        code = night.wait()
    finally:
        stop_child(night, _LONGEST_STOP_S)
    if code < 0:
        say(
            f"This night was ended from outside or by a fault (signal {-code}); the next one goes on from there."
        )
