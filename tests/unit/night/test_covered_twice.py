"""A second file of the same machine and time under another name is noticed, with the command that settles it."""

from __future__ import annotations

from pathlib import Path

import pytest
from chaffinch.pipelines.lake import Lake
from chaffinch.pipelines.night.run import ingest_inbox, is_due

# Whole nights over several files.
pytestmark = pytest.mark.seconds

HEADER = "time,machine,speed_m_s,grain_moisture_pct"


def log(first: int, last: int, machine: str = "Combine A", moisture: float = 14.0) -> str:
    rows = (f"2026-07-20T08:{i // 60:02d}:{i % 60:02d}Z,{machine},1.5,{moisture}" for i in range(first, last))
    return "\n".join([HEADER, *rows])


@pytest.fixture
def inbox(tmp_path: Path) -> Path:
    (tmp_path / "inbox").mkdir()
    (tmp_path / "inbox" / "a.csv").write_text(log(0, 600))
    return tmp_path / "inbox"


def test_a_correction_under_another_name(inbox: Path, tmp_path: Path) -> None:
    lake = Lake.open(tmp_path / "lake")
    assert ingest_inbox(inbox, lake).outside == ()
    (inbox / "a corrected.csv").write_text(log(0, 600, moisture=15.0))
    night = ingest_inbox(inbox, lake)
    (sentence,) = night.outside
    assert sentence.startswith(
        "a corrected.csv and a.csv hold readings of 'Combine A' at the same 600 moments"
    )
    assert (
        "600 of them with other values: those of a corrected.csv count, as its name comes first" in sentence
    )
    assert f"chaffinch retract a.csv --lake {lake.uri}" in sentence
    assert night.trouble and sentence in night.sentences()
    lake.retract("a.csv")
    assert ingest_inbox(inbox, lake).outside == () and lake.check() == []
    assert lake.scan("readings").collect().height == 600


def test_a_card_that_grows(inbox: Path, tmp_path: Path) -> None:
    lake = Lake.open(tmp_path / "lake")
    ingest_inbox(inbox, lake)
    (inbox / "b.csv").write_text(log(0, 900))
    night = ingest_inbox(inbox, lake)
    assert night.outside == () and not night.trouble
    assert night.repeated == ("All 600 rows of a.csv are in b.csv again; they count once, as rows of b.csv.",)
    assert night.repeated[0] in night.sentences()
    readings = lake.scan("readings").collect()
    assert readings.height == 900 and readings["file"].unique().to_list() == ["b.csv"]
    status = dict(lake.ledger().select("name", "status").iter_rows())
    assert status == {"a.csv": "repeated", "b.csv": "taken in"}
    assert ingest_inbox(inbox, lake).new == () and lake.check() == []


@pytest.mark.parametrize("names", [("a.csv", "b.csv", "c.csv"), ("c.csv", "b.csv", "a.csv")])
def test_three_cards_in_any_order(tmp_path: Path, names: tuple[str, ...]) -> None:
    (tmp_path / "inbox").mkdir()
    lake = Lake.open(tmp_path / "lake")
    for name, last in zip(names, (300, 600, 900), strict=True):
        (tmp_path / "inbox" / name).write_text(log(0, last))
        ingest_inbox(tmp_path / "inbox", lake)
    at_once = Lake.open(tmp_path / "at once")
    night = ingest_inbox(tmp_path / "inbox", at_once)
    assert len(night.repeated) == 2
    for one in (lake, at_once):
        assert one.scan("readings").collect().height == 900 and one.check() == []


def test_the_smaller_card_counts_again_when_the_larger_one_goes(inbox: Path, tmp_path: Path) -> None:
    lake = Lake.open(tmp_path / "lake")
    (inbox / "b.csv").write_text(log(0, 900))
    ingest_inbox(inbox, lake)
    lake.retract("b.csv")
    assert is_due(inbox, lake)
    ingest_inbox(inbox, lake)
    assert lake.scan("readings").collect()["file"].unique().to_list() == ["a.csv"] and lake.check() == []
    lake.undo_retraction("b.csv")
    (inbox / "b.csv").write_text(log(100, 800))
    ingest_inbox(inbox, lake)
    assert sorted(lake.scan("readings").collect()["file"].unique()) == ["a.csv", "b.csv"]


def test_the_larger_card_is_replaced_by_one_that_lacks_rows(inbox: Path, tmp_path: Path) -> None:
    lake = Lake.open(tmp_path / "lake")
    (inbox / "b.csv").write_text(log(0, 900))
    ingest_inbox(inbox, lake)
    (inbox / "b.csv").write_text(log(700, 900))
    ingest_inbox(inbox, lake)
    counts = dict(lake.scan("readings").collect().group_by("file").len().iter_rows())
    assert counts == {"a.csv": 600, "b.csv": 200} and lake.check() == []


@pytest.mark.parametrize("other", [log(600, 1200), log(0, 600, "Combine B"), log(550, 1200)])
def test_other_work_is_no_repetition(inbox: Path, tmp_path: Path, other: str) -> None:
    (inbox / "b.csv").write_text(other)
    assert ingest_inbox(inbox, Lake.open(tmp_path / "lake")).outside == ()
