"""Set values that differ between the last reading of one log and the first of the machine's next one."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest
from chaffinch.pipelines.lake import Lake
from chaffinch.pipelines.night import run as nightly
from chaffinch.pipelines.night.changes_between_files import KIND, NAME, changes_between_files


def log(hour: int, fan: int, machine: str = "Combine A", rotor: str = "open", stopped: int = 0) -> str:
    """Ten minutes; the fan stands still in the first ``stopped`` readings."""
    lines = ["time,machine,field,crop,speed_m_s,fan_speed_rpm,feeder_drum_position"]
    lines += [
        f"2026-07-20T{hour:02d}:{i // 60:02d}:{i % 60:02d}Z,{machine},Mill Field,wheat,1.{i % 9},"
        f"{0 if i < stopped else fan},{rotor}"
        for i in range(600)
    ]
    return "\n".join(lines) + "\n"


@pytest.fixture
def inbox(tmp_path: Path) -> Path:
    folder = tmp_path / "inbox"
    folder.mkdir()
    return folder


def take_in(inbox: Path, lake: Lake) -> pl.DataFrame:
    nightly.ingest_inbox(inbox, lake)
    nightly.refresh(lake)
    assert lake.check() == []
    rows = lake.scan("adjustments").collect().sort("time", "setting")
    return rows.select("time", "machine", "setting", "from_value", "to_value", "origin")


@pytest.mark.slow
@pytest.mark.seconds
def test_a_change_overnight(inbox: Path, tmp_path: Path) -> None:
    lake = Lake.open(tmp_path / "lake")
    (inbox / "a.csv").write_text(log(8, 900))
    (inbox / "b.csv").write_text(log(11, 950, rotor="low", stopped=60))
    (inbox / "other.csv").write_text(log(9, 1100, "Combine B"))
    rows = take_in(inbox, lake).rows()
    assert [row[2:5] for row in rows] == [
        ("feeder_drum_position", "open", "lower"),
        ("fan_speed", "900", "950"),
    ]
    # The fan is compared where it runs.
    assert [str(row[0]) for row in rows] == ["2026-07-20 11:00:00+00:00", "2026-07-20 11:01:00+00:00"]
    assert {row[1] for row in rows} == {"Combine A"} and {row[5] for row in rows} == {"setting column"}
    entry = lake.ledger().filter(pl.col("kind") == KIND)
    assert entry["name"].to_list() == [NAME]
    # The same again changes nothing.
    assert nightly.ingest_inbox(inbox, lake).new == ()
    assert nightly.refresh(lake).refreshed is False


@pytest.mark.slow
def test_the_entry_follows_the_files_that_count(inbox: Path, tmp_path: Path) -> None:
    """A log that comes late lies between the two; in the end only the files decide."""
    lake = Lake.open(tmp_path / "lake")
    (inbox / "a.csv").write_text(log(8, 900))
    (inbox / "c.csv").write_text(log(11, 950))
    assert [row[3:5] for row in take_in(inbox, lake).rows()] == [("900", "950")]
    (inbox / "b.csv").write_text(log(9, 1000))
    assert [row[3:5] for row in take_in(inbox, lake).rows()] == [("900", "1000"), ("1000", "950")]
    at_once = Lake.open(tmp_path / "at_once")
    take_in(inbox, at_once)
    assert lake.digest() == at_once.digest()
    lake.retract("a.csv")
    lake.retract("b.csv")
    nightly.refresh(lake)
    assert lake.scan("adjustments").collect().is_empty()
    assert NAME not in lake.ledger()["name"].to_list()


@pytest.mark.slow
def test_values_that_stay_and_logs_that_overlap_make_none(inbox: Path, tmp_path: Path) -> None:
    lake = Lake.open(tmp_path / "lake")
    (inbox / "a.csv").write_text(log(8, 900))
    (inbox / "b.csv").write_text(log(9, 903))  # under a fifth of the catalogue's step
    (inbox / "c.csv").write_text(log(9, 903).replace("T09:", "T09:").replace("Z,", ".5Z,"))
    assert take_in(inbox, lake).is_empty()


@pytest.mark.seconds
def test_no_setting_columns_make_none(inbox: Path, tmp_path: Path) -> None:
    lake = Lake.open(tmp_path / "lake")
    assert changes_between_files(lake).is_empty()
    (inbox / "a.csv").write_text("time,machine,speed_m_s\n2026-07-20T08:00:00Z,A,1.5\n")
    assert take_in(inbox, lake).is_empty()
