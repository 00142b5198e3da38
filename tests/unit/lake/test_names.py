"""Files that are renamed, copied or swapped between two nights: every content counts once."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from chaffinch.pipelines.lake import Lake
from chaffinch.pipelines.night.run import IngestSummary, ingest_inbox


def log(speed_m_s: float, rows: int = 5) -> str:
    lines = [
        f"2026-07-20T08:00:{i:02d}Z,Combine A,Mill Field,{speed_m_s + i / 10:.1f},9.5" for i in range(rows)
    ]
    return "\n".join(["time,machine,field,speed_m_s,grain_flow_kg_s", *lines]) + "\n"


@pytest.fixture
def inbox(tmp_path: Path) -> Path:
    folder = tmp_path / "inbox"
    folder.mkdir()
    (folder / "a.csv").write_text(log(1.0))
    (folder / "b.csv").write_text(log(2.0))
    return folder


@pytest.fixture(autouse=True)
def unjudged(monkeypatch: pytest.MonkeyPatch) -> None:
    """Judging takes seconds to import and plays no part here."""
    from chaffinch.pipelines import validate

    def judge(deliveries, farm):  # type: ignore[no-untyped-def]
        return {name: validate.Judgement() for name, _ in deliveries}

    monkeypatch.setattr(validate, "judge", judge)


def night(inbox: Path, lake: Lake) -> IngestSummary:
    return ingest_inbox(inbox, lake)


def as_if_fresh(inbox: Path, lake: Lake, tmp_path: Path) -> None:
    """The same rows as in a lake that never knew another state of the inbox, whatever files are called."""
    fresh = Lake.open(tmp_path / "fresh")
    shutil.rmtree(fresh.uri, ignore_errors=True)
    ingest_inbox(inbox, fresh)
    columns = ["delivery", "row", "time", "speed_m_s"]
    one, other = (lk.scan("readings").select(columns).collect().sort(columns) for lk in (lake, fresh))
    assert one.equals(other)
    assert lake.check() == []


def test_a_renamed_file_changes_nothing(inbox: Path, tmp_path: Path) -> None:
    lake = Lake.open(tmp_path / "lake")
    night(inbox, lake)
    before = lake.digest()
    (inbox / "a.csv").rename(inbox / "a final.csv")
    summary = night(inbox, lake)
    assert summary.new == () and lake.digest() == before
    assert summary.same_content == (
        "a final.csv has the same content as a.csv, ingested before; it counts once.",
    )


def test_a_correction_after_a_change_of_name_replaces(inbox: Path, tmp_path: Path) -> None:
    lake = Lake.open(tmp_path / "lake")
    night(inbox, lake)
    (inbox / "a.csv").rename(inbox / "a final.csv")
    night(inbox, lake)
    (inbox / "a final.csv").write_text(log(3.0))
    assert night(inbox, lake).replaced == 1
    as_if_fresh(inbox, lake, tmp_path)


@pytest.mark.seconds
def test_swapped_names_then_a_correction(inbox: Path, tmp_path: Path) -> None:
    lake = Lake.open(tmp_path / "lake")
    night(inbox, lake)
    (inbox / "a.csv").rename(inbox / "c")
    (inbox / "b.csv").rename(inbox / "a.csv")
    (inbox / "c").rename(inbox / "b.csv")
    night(inbox, lake)
    as_if_fresh(inbox, lake, tmp_path)
    (inbox / "a.csv").write_text(log(3.0))
    night(inbox, lake)
    as_if_fresh(inbox, lake, tmp_path)


@pytest.mark.seconds
def test_a_file_renamed_over_another_replaces_it_and_the_other_may_come_back(
    inbox: Path, tmp_path: Path
) -> None:
    lake = Lake.open(tmp_path / "lake")
    night(inbox, lake)
    (inbox / "a.csv").rename(inbox / "b.csv")
    assert night(inbox, lake).replaced == 1
    as_if_fresh(inbox, lake, tmp_path)
    (inbox / "c.csv").write_text(log(2.0))
    assert [one.name for one in night(inbox, lake).new] == ["c.csv"]
    as_if_fresh(inbox, lake, tmp_path)


@pytest.mark.seconds
def test_one_of_two_copies_is_corrected_then_the_other(inbox: Path, tmp_path: Path) -> None:
    shutil.copy(inbox / "a.csv", inbox / "copy.csv")
    lake = Lake.open(tmp_path / "lake")
    night(inbox, lake)
    assert lake.ledger().height == 2
    (inbox / "a.csv").write_text(log(3.0))
    night(inbox, lake)
    as_if_fresh(inbox, lake, tmp_path)
    (inbox / "copy.csv").write_text(log(4.0))
    night(inbox, lake)
    as_if_fresh(inbox, lake, tmp_path)
