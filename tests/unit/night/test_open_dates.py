"""Dates that can be read in two ways, settled by other files of the inbox."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest
from chaffinch.pipelines.ingest.text.date_order import order_by_others, seen_dates
from chaffinch.pipelines.lake import Lake
from chaffinch.pipelines.night.run import ingest_inbox, is_due

NOTEBOOK = (
    "date,time,machine,notes\n10/05/2026,08:30,Combine A,fan to 950\n11/05/2026,09:30,Combine A,fan +50\n"
)
US_NOTEBOOK = NOTEBOOK.replace("10/05", "05/10").replace("11/05", "05/11")


def log(day: str) -> str:
    rows = (f"{day}T08:{i // 60:02d}:{i % 60:02d}Z,Combine A,1.5,14.0" for i in range(3000))
    return "\n".join(["time,machine,speed_m_s,grain_moisture_pct", *rows])


def days_of(lake: Lake) -> list[date]:
    return lake.scan("adjustments").collect()["time"].dt.date().sort().to_list()


@pytest.mark.seconds
@pytest.mark.parametrize(("notebook", "day_first"), [(NOTEBOOK, True), (US_NOTEBOOK, False)])
def test_the_days_of_the_logs_settle_it(tmp_path: Path, notebook: str, day_first: bool) -> None:
    """10/05 and 11/05 are two days of May by the logs of 10 May, whatever the file itself suggests."""
    one_day = "\n".join(notebook.splitlines()[:2]) + "\n"
    (tmp_path / "inbox").mkdir()
    (tmp_path / "inbox" / "notes.csv").write_text(one_day)
    lake = Lake.open(tmp_path / "lake")
    night = ingest_inbox(tmp_path / "inbox", lake)
    assert any("as nothing in the file decides" in s for one in night.new for s in one.attention)
    assert not is_due(tmp_path / "inbox", lake) or not lake.is_fresh()
    (tmp_path / "inbox" / "log.csv").write_text(log("2026-05-10"))
    ingest_inbox(tmp_path / "inbox", lake)
    assert days_of(lake) == [date(2026, 5, 10)] and lake.check() == []
    (notes,) = lake.ledger().filter(name="notes.csv")["notes"].to_list()
    lead = "day" if day_first else "month"
    assert any(f"{lead} first, as other files of the inbox show" in note for note in notes)
    assert ingest_inbox(tmp_path / "inbox", lake).new == ()
    at_once = Lake.open(tmp_path / "at once")
    ingest_inbox(tmp_path / "inbox", at_once)
    assert days_of(at_once) == [date(2026, 5, 10)]


def test_a_log_of_the_same_logger_settles_it() -> None:
    header = "Date;Time;Speed\n"
    open_one = seen_dates(header + "05/06/2026;08:00:00;5\n")
    proved = seen_dates(header + "05/23/2026;08:00:00;5\n")
    other = seen_dates("Datum,Zeit\n23/05/2026,08:00\n")
    assert open_one.is_open and (proved.day_first, other.day_first) == (False, True)
    assert order_by_others(open_one, [proved, other]) is False
    assert order_by_others(open_one, [other]) is True
    assert order_by_others(open_one, []) is None
    assert order_by_others(open_one, [], [date(2026, 5, 6)]) is False
    assert order_by_others(open_one, [], [date(2026, 5, 6), date(2026, 6, 5)]) is None


@pytest.mark.parametrize("text", ["2026-05-10T08:00:00", "10.05.2026 08:00", "13/05/2026", "14.2;3.5;1/2"])
def test_what_can_be_read_in_one_way_only(text: str) -> None:
    assert not seen_dates(text).is_open
