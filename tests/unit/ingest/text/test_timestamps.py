"""Times: the many ways to write one, impossible dates, and clocks that change."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import polars as pl
import pytest
from chaffinch.pipelines.errors import UnreadableFile
from chaffinch.pipelines.farm.entries import FileColumns
from chaffinch.pipelines.ingest.text.time_zones import to_utc
from chaffinch.pipelines.ingest.text.timestamps import parse_timestamps, plausible


def moments(texts, dates=None, unit=None, **stated):
    return parse_timestamps(
        "log.csv",
        pl.Series(texts, dtype=pl.String),
        None if dates is None else pl.Series(dates),
        unit,
        FileColumns.model_validate(stated),
    )


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("2026-08-01T10:00:00Z", datetime(2026, 8, 1, 10, tzinfo=UTC)),
        ("2026-08-01T10:00:00.250Z", datetime(2026, 8, 1, 10, 0, 0, 250_000, tzinfo=UTC)),
        ("2026-08-01T10:00:00+02:00", datetime(2026, 8, 1, 8, tzinfo=UTC)),
        ("2026-08-01 10:00:00-0530", datetime(2026, 8, 1, 15, 30, tzinfo=UTC)),
        ("2026-08-01 10:00:00 UTC", datetime(2026, 8, 1, 10, tzinfo=UTC)),
        ("1785578400", datetime(2026, 8, 1, 10, tzinfo=UTC)),
        ("1785578400.5", datetime(2026, 8, 1, 10, 0, 0, 500_000, tzinfo=UTC)),
        ("1785578400000", datetime(2026, 8, 1, 10, tzinfo=UTC)),
    ],
)
def test_times_with_an_offset_or_since_the_epoch(text, expected):
    read = moments([text, text])
    assert read.utc.to_list() == [expected, expected]
    assert read.local.null_count() == 2


@pytest.mark.parametrize(
    "text",
    [
        "2026-08-21T10:05:09",
        "2026-08-21 10:05:09",
        "2026/08/21 10:05:09",
        "21.08.2026 10:05:09",
        "21/08/2026 10:05:09",
        "08/21/2026 10:05:09 AM",
        "21-08-26 10:05:09",
        "21 Aug 2026 10:05:09",
        "August 21, 2026 10:05:09",
        "Fri, 21 Aug 2026 10:05:09",
        "20260821100509",
        # 46255 days from 30 December 1899 are 21 August 2026.
        str(46255 + (10 * 3600 + 5 * 60 + 9) / 86_400),
    ],
)
def test_wall_clock_times(text):
    read = moments([text])
    assert read.local.to_list() == [datetime(2026, 8, 21, 10, 5, 9)]
    assert read.utc.to_list() == [None]


def test_minutes_without_seconds():
    assert moments(["2026-08-21 10:05", "21.08.2026 10:06"]).local.to_list() == [
        datetime(2026, 8, 21, 10, 5),
        datetime(2026, 8, 21, 10, 6),
    ]


def test_noon_and_midnight_of_twelve_hour_clocks():
    read = moments(["08/21/2026 12:00:00 AM", "08/21/2026 12:00:00 PM", "08/21/2026 1:30:00 p.m."])
    assert [t.hour for t in read.local] == [0, 12, 13]


def test_the_order_of_day_and_month_is_decided_over_the_whole_file():
    assert moments(["03/04/2026 10:00:00", "03/25/2026 10:00:00"]).local[0].month == 3
    assert moments(["03/04/2026 10:00:00", "25/03/2026 10:00:00"]).local[0].month == 4


@pytest.mark.parametrize(
    ("texts", "month_leads", "month", "asked"),
    [
        (["10/05/2026 08:00:00", "11/05/2026 08:00:00", "12/05/2026 08:00:00"], None, 5, False),
        (["05/10/2026 08:00:00", "05/11/2026 08:00:00", "05/12/2026 08:00:00"], None, 5, False),
        (["05/10/2026 8:00 AM"], None, 5, False),
        (["10/05/2026 08:00:00"], True, 10, False),
        (["10/05/2026 08:00:00"], False, 5, False),
        (["10/05/2026 08:00:00"], None, 5, True),
        (["10/05/2026 08:00:00", "11/05/2026 08:00:00", "12/05/2026 08:00:00"], True, 5, True),
        (["10.05.2026 08:00:00"], True, 5, False),
    ],
    ids=[
        "days lie together",
        "days lie together, month first",
        "am",
        "miles",
        "Europe",
        "nothing",
        "both ways",
        "dots",
    ],
)
def test_an_open_order_is_decided_by_evidence_or_asked_about(texts, month_leads, month, asked):
    read = parse_timestamps("log.csv", pl.Series(texts), None, None, FileColumns(), month_leads)
    assert read.local[0].month == month
    assert bool(read.asked) == asked and bool(read.notes) == (not asked and "." not in texts[0])


def test_an_undecided_order_is_asked_about_and_farm_toml_decides():
    read = moments(["03/04/2026 10:00:00"])
    assert read.local[0] == datetime(2026, 4, 3, 10)
    assert read.asked == (
        "Dates such as '03/04/2026 10:00:00' were read day first, as nothing in the file decides. "
        "State day_first = true or false in farm.toml, under columns, to be sure.",
    )
    stated = moments(["03/04/2026 10:00:00"], day_first=False)
    assert stated.local[0] == datetime(2026, 3, 4, 10)
    assert stated.notes == ()


def test_dates_in_a_column_of_their_own():
    read = moments(["10:00:00", "10:00:01.5"], dates=["2026-08-01", "2026-08-01 00:00:00"])
    assert read.local.to_list() == [datetime(2026, 8, 1, 10), datetime(2026, 8, 1, 10, 0, 1, 500_000)]


def test_dates_and_times_in_digits_and_parts_of_a_day():
    read = moments(["100000", "95959.5", "0.5"], dates=["20260801", "20260801", "2026-08-01"])
    assert read.local.to_list() == [
        datetime(2026, 8, 1, 10),
        datetime(2026, 8, 1, 9, 59, 59, 500_000),
        datetime(2026, 8, 1, 12),
    ]


def test_a_header_that_says_utc():
    assert moments(["2026-08-01 10:00:00"], unit="UTC").utc[0] == datetime(2026, 8, 1, 10, tzinfo=UTC)


def test_seconds_since_a_stated_start():
    read = moments(["0", "3", "x"], time_start="2011-11-05T12:38:03")
    assert read.local.to_list() == [datetime(2011, 11, 5, 12, 38, 3), datetime(2011, 11, 5, 12, 38, 6), None]
    read = moments(["1500"], unit="ms", time_start="2011-11-05T12:38:03-05:00")
    assert read.utc.to_list() == [datetime(2011, 11, 5, 17, 38, 4, 500_000, tzinfo=UTC)]


def test_seconds_since_an_unknown_start_are_refused_with_the_line_to_write():
    with pytest.raises(UnreadableFile) as caught:
        moments(["0", "3"])
    assert caught.value.reason == (
        "Times are plain numbers such as '0' that count from an unknown start; say in farm.toml when it was: "
        '[columns."log.csv"] time_start = 2026-08-01T10:00:00.'
    )


def test_a_stated_form():
    read = moments(["2026.213 10:00"], time_format="%Y.%j %H:%M")
    assert read.local.to_list() == [datetime(2026, 8, 1, 10)]


@pytest.mark.parametrize(
    "text",
    ["2026-13-01T10:00:00Z", "2026-02-30T10:00:00Z", "2026-08-01T25:00:00Z", "1970-01-01T00:00:00Z",
     "1980-01-06T00:00:00Z", "2101-01-01T00:00:00Z", "soon", "", "2026-08-01T10:61:00Z"],
)  # fmt: skip
def test_impossible_times_are_null_and_leave_the_others_alone(text):
    read = moments([text, "2026-08-01T10:00:00Z"])
    assert plausible(read.utc).to_list() == [None, datetime(2026, 8, 1, 10, tzinfo=UTC)]
    assert read.local.to_list() == [None, None]


def wall(times, zone):
    return pl.Series([t.astimezone(ZoneInfo(zone)).replace(tzinfo=None) for t in times])


def utc_run(start, minutes, step=5):
    return [start + timedelta(minutes=m) for m in range(0, minutes, step)]


# The changes of 2026: Berlin 29 March and 25 October, Chicago 8 March and 1 November (IANA time zone data).
@pytest.mark.parametrize(
    ("zone", "change"),
    [
        ("Europe/Berlin", datetime(2026, 10, 25, 1, tzinfo=UTC)),
        ("America/Chicago", datetime(2026, 11, 1, 7, tzinfo=UTC)),
        ("Australia/Adelaide", datetime(2026, 4, 4, 16, 30, tzinfo=UTC)),
    ],
)
def test_the_hour_that_comes_twice_is_resolved_by_the_order(zone, change):
    times = utc_run(change - timedelta(minutes=150), 300)
    read, notes = to_utc(wall(times, zone), zone)
    assert read.to_list() == times
    assert len(notes) == 1
    assert (
        f"the clock of {zone} goes back: of 24 rows in the hour that comes twice, 12 belong to the second run"
        in notes[0]
    )


def test_a_file_that_starts_in_the_second_run_of_the_repeated_hour():
    times = utc_run(datetime(2026, 10, 25, 1, 10, tzinfo=UTC), 120)
    assert to_utc(wall(times, "Europe/Berlin"), "Europe/Berlin")[0].to_list() == times


def test_a_file_that_ends_in_the_first_run_of_the_repeated_hour():
    times = utc_run(datetime(2026, 10, 24, 22, 0, tzinfo=UTC), 160)
    assert to_utc(wall(times, "Europe/Berlin"), "Europe/Berlin")[0].to_list() == times


def test_the_skipped_hour_of_a_clock_that_follows():
    times = utc_run(datetime(2026, 3, 29, 0, 0, tzinfo=UTC), 120)
    read, notes = to_utc(wall(times, "Europe/Berlin"), "Europe/Berlin")
    assert read.to_list() == times
    assert notes == ()


def test_a_clock_that_was_put_forward_too_late():
    """Winter time goes on through the skipped hour until the operator puts the clock forward at 04:00."""
    times = utc_run(datetime(2026, 3, 29, 0, 30, tzinfo=UTC), 240)
    put_forward = datetime(2026, 3, 29, 3, 0, tzinfo=UTC)
    shown = pl.Series([t.replace(tzinfo=None) + timedelta(hours=1 if t < put_forward else 2) for t in times])
    read, notes = to_utc(shown, "Europe/Berlin")
    assert read.to_list() == times
    assert "the hour it skips holds 12 rows: the logger had not been put forward" in notes[0]
