"""What nobody foresaw: one file's failure stays with the file, a stage's failure leaves the others done."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest
from chaffinch.pipelines import ingest
from chaffinch.pipelines.command_line.program import run
from chaffinch.pipelines.lake import Lake
from chaffinch.pipelines.night import run as nightly

LOG = "time,machine,field,crop,speed_m_s\n2026-07-20T08:00:00Z,Combine A,Mill Field,wheat,1.5\n"


@pytest.fixture
def inbox(tmp_path: Path) -> Path:
    folder = tmp_path / "inbox"
    folder.mkdir()
    (folder / "a.csv").write_text(LOG)
    (folder / "b.csv").write_text(LOG.replace("Combine A", "Combine B"))
    return folder


@pytest.mark.parametrize(
    ("error", "said"),
    [
        (RecursionError("too deep"), "It is nested too deeply"),
        (MemoryError(), "There is not enough memory to read it"),
        (pl.exceptions.PanicException("slice out of range"), "PanicException: slice out of range"),
        (ValueError("any\nother"), "ValueError: any). See more with: chaffinch inspect --debug"),
    ],
)
def test_a_reader_that_breaks_leaves_the_other_files(
    inbox: Path, monkeypatch: pytest.MonkeyPatch, error: BaseException, said: str
) -> None:
    read = ingest.read

    def broken(file, *rest):  # type: ignore[no-untyped-def]
        if file.name == "a.csv":
            raise error
        return read(file, *rest)

    monkeypatch.setattr(ingest, "read", broken)
    lake = Lake.open(inbox.parent / "lake")
    summary = nightly.ingest_inbox(inbox, lake)
    assert summary.trouble
    rows = {row["name"]: row for row in lake.ledger().to_dicts()}
    assert rows["a.csv"]["status"] == "could not be read"
    assert said in rows["a.csv"]["reason"]
    assert lake.scan("readings").collect()["machine"].to_list() == ["Combine B"]


def test_a_stage_that_fails_leaves_the_others_done(
    inbox: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def broken(*_: object) -> dict:
        raise ValueError("no ink")

    monkeypatch.setattr(nightly, "write_pages", broken)
    lake = inbox.parent / "lake"
    assert run(["nightly", str(inbox), "--lake", str(lake), "--site", str(inbox.parent / "site")]) == 1
    assert "Pages were not written, unexpectedly (ValueError: no ink)." in capsys.readouterr().out
    assert Lake.open(lake).scan("readings").collect().height == 2
    assert Lake.open(lake).effects_inputs() is not None


def test_an_unexpected_failure_is_a_sentence(
    inbox: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def broken(*_: object) -> None:
        raise pl.exceptions.PanicException("slice out of range")

    monkeypatch.setattr(nightly, "ingest_inbox", broken)
    assert run(["ingest", str(inbox), "--lake", str(inbox.parent / "lake")]) == 1
    result = capsys.readouterr().err
    assert "PanicException: slice out of range" in result
    assert "Traceback" not in result
