"""Times of a schedule; the rules are those of POSIX crontab, the dates those of a calendar."""

from __future__ import annotations

from datetime import datetime

import pytest
from chaffinch.pipelines.errors import CallError
from chaffinch.pipelines.night.schedule import next_night


@pytest.mark.parametrize(
    ("schedule", "after", "coming"),
    [
        ("30 2 * * *", datetime(2026, 7, 1, 2, 29, 59), datetime(2026, 7, 1, 2, 30)),
        ("30 2 * * *", datetime(2026, 7, 1, 2, 30), datetime(2026, 7, 2, 2, 30)),
        ("30 2 * * *", datetime(2026, 12, 31, 3), datetime(2027, 1, 1, 2, 30)),
        ("*/20 * * * *", datetime(2026, 7, 1, 2, 41), datetime(2026, 7, 1, 3, 0)),
        ("5,50 1-3 * * *", datetime(2026, 7, 1, 1, 5), datetime(2026, 7, 1, 1, 50)),
        ("0 0 29 2 *", datetime(2026, 3, 1), datetime(2028, 2, 29)),
        # 5 July 2026 is a Sunday, which is both 0 and 7.
        ("0 4 * * 0", datetime(2026, 7, 1), datetime(2026, 7, 5, 4)),
        ("0 4 * * 7", datetime(2026, 7, 1), datetime(2026, 7, 5, 4)),
        # Where both days are restricted, one of them is enough.
        ("0 4 3 * 0", datetime(2026, 7, 1), datetime(2026, 7, 3, 4)),
        ("0 4 3 * 0", datetime(2026, 7, 4), datetime(2026, 7, 5, 4)),
        ("0 12 * 9-10 *", datetime(2026, 7, 1), datetime(2026, 9, 1, 12)),
    ],
)
def test_next_moment(schedule: str, after: datetime, coming: datetime) -> None:
    assert next_night(schedule, after) == coming


@pytest.mark.parametrize(
    "schedule",
    [
        "",
        "30 2 * *",
        "0 30 2 * * *",
        "60 2 * * *",
        "30 24 * * *",
        "x 2 * * *",
        "5-3 * * * *",
        "*/0 * * * *",
        "-1 * * * *",
    ],
)
def test_what_is_no_schedule(schedule: str) -> None:
    with pytest.raises(CallError, match="schedule"):
        next_night(schedule, datetime(2026, 1, 1))


@pytest.mark.parametrize("schedule", ["0 0 30 2 *", "0 0 31 4,6 *"])
def test_a_day_that_never_comes(schedule: str) -> None:
    with pytest.raises(CallError, match="day-of-month|never comes"):
        next_night(schedule, datetime(2026, 1, 1))
