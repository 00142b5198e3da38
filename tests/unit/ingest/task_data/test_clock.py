"""The terminal's clock: local or UTC, midnight, clock changes. Cases are those met in public sample logs."""

from __future__ import annotations

import datetime as dt
import struct

import pytest
from builders import task_data_sets as sets
from chaffinch.pipelines.farm import Farm
from chaffinch.pipelines.ingest.task_data import read_task_data
from chaffinch.pipelines.parsed import Parsed

DAY_MS = 86_400_000
SATELLITES = '<PTN A="" B="" D="" H="" I=""/>'


def epoch_ms(moment: dt.datetime) -> int:
    return (moment - dt.datetime(1980, 1, 1)) // dt.timedelta(milliseconds=1)


def record(shown: dt.datetime, satellites: dt.datetime | None = None) -> bytes:
    """One record under a header with (or without) satellite time, holding one value."""
    day, ms = divmod(epoch_ms(shown), DAY_MS)
    head = struct.pack("<IHiiB", ms, day, 520_000_000, 70_000_000, 1)
    if satellites is not None:
        day, ms = divmod(epoch_ms(satellites), DAY_MS)
        head += struct.pack("<IH", ms, day)
    return head + b"\1\0" + struct.pack("<i", 1500)


def read(data: bytes, satellites: bool = False, farm: Farm | None = None, times: str = "") -> Parsed:
    files = sets.members(
        TASKDATA_XML=sets.task_file(
            tasks=f'<TSK A="TSK-1" E="PFD-1" G="4">{times}<TLG A="TLG00001" C="1"/></TSK>'
        ),
        TLG00001_XML=sets.header(position=SATELLITES if satellites else sets.POSITION),
        TLG00001_BIN=data,
    )
    return read_task_data(files, "set", farm or Farm())


def utc(parsed: Parsed) -> list[dt.datetime]:
    assert parsed.readings is not None
    return [moment.replace(tzinfo=None) for moment in parsed.readings["time"]]


NOON = dt.datetime(2026, 7, 21, 12)


def seconds(start: dt.datetime, count: int = 60) -> list[dt.datetime]:
    return [start + dt.timedelta(seconds=second) for second in range(count)]


@pytest.mark.parametrize(
    ("ahead", "zone", "note"),
    [
        (dt.timedelta(hours=2), 2.0, "runs at UTC+02:00 by satellite time."),
        # +2 h of zone and 141 s of clock error.
        (
            dt.timedelta(hours=2, seconds=141),
            2.0,
            "runs at UTC+02:00 by satellite time; the clock is 2 min ahead of the satellites.",
        ),
        (dt.timedelta(0), 0.0, "runs at UTC by satellite time."),
        (dt.timedelta(hours=5, minutes=45), 5.75, "runs at UTC+05:45 by satellite time."),
        (dt.timedelta(hours=-5), -5.0, "runs at UTC-05:00 by satellite time."),
    ],
)
def test_zone_by_satellite_time(ahead: dt.timedelta, zone: float, note: str) -> None:
    data = b"".join(record(moment, moment - ahead) for moment in seconds(NOON))
    parsed = read(data, satellites=True)
    assert utc(parsed)[0] == NOON - dt.timedelta(hours=zone)
    assert f"TLG00001: The terminal's clock {note}" in parsed.notes


@pytest.mark.parametrize(
    ("satellites", "note"),
    [
        # The clock is wrong by 34 minutes: no zone explains that.
        (lambda m: m + dt.timedelta(minutes=34), "by 34 min, which is not a time zone; it was not used."),
        # 28 s ahead, the date one day early, the hour local.
        (lambda m: m + dt.timedelta(days=-1, seconds=28), "by 24 h 0 min, which is not a time zone"),
        # Time 0 throughout.
        (lambda m: dt.datetime(2026, 7, 21), "is empty or impossible; it was not used."),
        # Day 61,884, the year 2149.
        (lambda m: dt.datetime(2149, 6, 7, 10), "is empty or impossible; it was not used."),
        # Stands still at one moment.
        (lambda m: dt.datetime(2026, 7, 21, 10), "does not keep step with the terminal's clock"),
    ],
)
def test_satellite_time_of_no_use(satellites, note: str) -> None:  # type: ignore[no-untyped-def]
    data = b"".join(record(moment, satellites(moment)) for moment in seconds(NOON))
    parsed = read(data, satellites=True)
    assert utc(parsed)[0] == NOON
    assert any(note in said for said in parsed.notes), parsed.notes
    assert any("its times are read as UTC; state time_zone in farm.toml" in said for said in parsed.notes)


def test_the_zone_of_farm_toml_counts_most() -> None:
    data = b"".join(record(moment, moment - dt.timedelta(hours=1)) for moment in seconds(NOON))
    parsed = read(data, satellites=True, farm=Farm(time_zone="Europe/Berlin"))
    assert utc(parsed)[0] == NOON - dt.timedelta(hours=2)
    assert "TLG00001: The terminal's clock runs at UTC+01:00 by satellite time." in parsed.notes


@pytest.mark.parametrize(
    ("written", "zone"),
    [
        # Z in the task file, local time two hours ahead in the log.
        ("2026-07-21T10:00:05Z", 2),
        ("2026-07-21T12:00:00.000+02:00", 2),
        ("2026-07-21T12:00:00-05:00", -5),
        # No zone, or a time that has nothing to do with the log: no help.
        ("2026-07-21T12:00:00", 0),
        ("2026-07-21T09:23:00Z", 0),
        ("yesterday", 0),
    ],
)
def test_zone_by_the_times_of_the_task(written: str, zone: int) -> None:
    data = b"".join(record(moment) for moment in seconds(NOON))
    parsed = read(data, times=f'<TIM A="{written}" D="4"/>')
    assert utc(parsed)[0] == NOON - dt.timedelta(hours=zone)


def test_midnight() -> None:
    start = dt.datetime(2026, 7, 21, 23, 59, 50)
    data = b"".join(record(moment) for moment in seconds(start, 20))
    assert utc(read(data)) == seconds(start, 20)


@pytest.mark.parametrize(("slips", "off"), [(range(10, 13), -1), (range(7, 10), 1)])
def test_a_date_that_turns_a_few_records_late_or_early(slips: range, off: int) -> None:
    start = dt.datetime(2026, 7, 21, 23, 59, 50)
    moments = seconds(start, 20)
    shown = [moment + dt.timedelta(days=off if i in slips else 0) for i, moment in enumerate(moments)]
    assert utc(read(b"".join(record(moment) for moment in shown))) == moments


def test_a_pause_of_a_day_is_no_slip() -> None:
    moments = [*seconds(NOON, 5), *seconds(NOON + dt.timedelta(days=1, seconds=10), 5)]
    assert utc(read(b"".join(record(moment) for moment in moments))) == moments


def test_the_repeated_hour_of_autumn() -> None:
    """Central Europe put its clocks back on 2025-10-26 (directive 2000/84/EC: last Sunday, 01:00 UTC)."""
    true = [dt.datetime(2025, 10, 26, 0, 30) + dt.timedelta(minutes=10 * n) for n in range(10)]
    shown = [m + dt.timedelta(hours=2 if m < dt.datetime(2025, 10, 26, 1) else 1) for m in true]
    parsed = read(b"".join(record(moment) for moment in shown), farm=Farm(time_zone="Europe/Berlin"))
    assert utc(parsed) == true


def test_time_in_the_header_holds_for_every_record() -> None:
    """Legal by the standard: the header's own time, and no time in the records."""
    header = f'<TIM A="2026-07-21T12:00:00" D="4">{sets.POSITION}{sets.VALUES}</TIM>'
    body = b"".join(struct.pack("<iiBBBi", 520_000_000 + n, 70_000_000, 1, 1, 0, 1500) for n in range(3))
    parsed = read_task_data(sets.members(TLG00001_XML=header.encode(), TLG00001_BIN=body), "set", Farm())
    assert utc(parsed) == [NOON] * 3


def test_early_writers_with_more_position_than_their_header_says() -> None:
    """The header names three position fields, the records hold all nine."""
    data = b"".join(
        struct.pack(
            "<IHiiiBHHBIH", 36_000_000 + 1000 * n, sets.DAY, 520_000_000, 70_000_000, 0, 4, 8, 6, 9, 0, 0
        )
        + b"\1\0"
        + struct.pack("<i", 1500)
        for n in range(50)
    )
    parsed = read(data)
    assert parsed.readings is not None
    assert parsed.readings["speed_m_s"].to_list() == [1.5] * 50
    assert any("other position fields than its header says" in note for note in parsed.notes)
