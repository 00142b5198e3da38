"""A second file of the same machine and time under another name is noticed, with the command that settles it."""

from __future__ import annotations

from pathlib import Path

import pytest
from chaffinch.pipelines.lake import Lake
from chaffinch.pipelines.night.run import ingest_inbox

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
    (sentence,) = ingest_inbox(inbox, lake).outside
    assert sentence.startswith(
        "b.csv holds all readings of a.csv again, and 300 more; each moment counts once."
    )


@pytest.mark.parametrize("other", [log(600, 1200), log(0, 600, "Combine B"), log(550, 1200)])
def test_other_work_is_no_repetition(inbox: Path, tmp_path: Path, other: str) -> None:
    (inbox / "b.csv").write_text(other)
    assert ingest_inbox(inbox, Lake.open(tmp_path / "lake")).outside == ()
