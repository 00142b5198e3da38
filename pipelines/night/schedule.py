"""Times of a schedule in the five fields of a crontab: minute, hour, day of month, month, day of week."""

from __future__ import annotations

import time
from datetime import datetime

from chaffinch.pipelines.errors import CallError
from cronsim import CronSim, CronSimError

_LONGEST_SLEEP_S = 60.0


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
