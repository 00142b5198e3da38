"""The same inbox again, corrected files, and two fresh lakes: content depends on the files alone."""

from __future__ import annotations

import json
from pathlib import Path

import polars as pl
import pytest
from chaffinch.pipelines.command_line.program import run
from chaffinch.schemas.tables import tables

# The two columns that tell when something was done rather than what is so.
WHEN = {"deliveries": "taken_in_at", "effects": "computed_at"}


def json_of(call: list[str], capsys: pytest.CaptureFixture[str], exit_code: int = 0) -> dict:
    """Standard output of ``call`` with --json, which must be one JSON document in one line."""
    capsys.readouterr()
    assert run([*call, "--json"]) == exit_code
    out = capsys.readouterr().out
    assert out.count("\n") == 1
    return json.loads(out)


def content(lake: Path) -> dict[str, pl.DataFrame]:
    """All tables of ``lake``, in the order of their keys, without the moments of writing."""
    found = {}
    for name, table in tables().items():
        to = lake.parent / f"{lake.name}_{name}.parquet"
        assert run(["export", name, "--lake", str(lake), "--to", str(to)]) == 0
        found[name] = pl.read_parquet(to).drop(WHEN.get(name, [])).sort(table.key, nulls_last=True)
    return found


def files_of(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A made-up season taken into two fresh lakes, a and b."""
    folder = tmp_path_factory.mktemp("season")
    size = ["--fields", "1", "--hours", "0.6", "--adjustments", "2", "--seed", "3", "--spoil"]
    assert run(["simulate", str(folder / "s"), *size]) == 0
    for lake in "ab":
        call = ["nightly", str(folder / "s" / "inbox"), "--lake", str(folder / lake)]
        assert run([*call, "--site", str(folder / f"site_{lake}")]) == 0
    return folder


def test_two_fresh_lakes_are_equal(season: Path) -> None:
    one, other = content(season / "a"), content(season / "b")
    assert one["effects"].height > 0
    assert one["set_aside"].height > 0
    for name in tables():
        assert one[name].equals(other[name], null_equal=True), name
    assert files_of(season / "site_a") == files_of(season / "site_b")


def test_a_second_night_changes_no_file_and_exits_0(season: Path, capsys: pytest.CaptureFixture[str]) -> None:
    lake, site = season / "a", season / "site_a"
    before, pages = files_of(lake), files_of(site)
    call = ["nightly", str(season / "s" / "inbox"), "--lake", str(lake), "--site", str(site)]
    night = json_of(call, capsys)
    assert night["ingest"]["new"] == []
    assert night["estimate"]["refreshed"] is False
    assert files_of(lake) == before
    assert files_of(site) == pages


def test_every_command_gives_one_json_document(season: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """``view`` has its own test, ``simulate`` and ``nightly`` are above."""
    lake, inbox, out = str(season / "b"), str(season / "s" / "inbox"), season / "out"
    out.mkdir()
    assert json_of(["ingest", inbox, "--lake", lake], capsys)["new"] == []
    assert json_of(["estimate", "--lake", lake], capsys)["refreshed"] is True
    assert "written" in json_of(["pages", "--lake", lake, "--site", str(season / "site_b")], capsys)
    assert json_of(["check", "--lake", lake], capsys)["whole"] is True
    export = ["export", "effects", "--lake", lake, "--to", str(out / "effects.csv")]
    assert json_of(export, capsys)["rows"] > 0
    report = ["season", "--lake", lake, "--year", "2026", "--out", str(out / "season.html")]
    assert json_of(report, capsys)["year"] == 2026
    assert {file["kind"] for file in json_of(["inspect", inbox], capsys)["files"]} >= {"harvest log"}
    assert json_of(["retract", "loss_checks.csv", "--lake", lake], capsys)["retracted"] == "loss_checks.csv"
    undone = json_of(["retract", "loss_checks.csv", "--lake", lake, "--undo"], capsys)
    assert undone["undone"] == "loss_checks.csv"
    assert json_of(["prove", "--seasons", "0"], capsys, 2)["exit_code"] == 2


LOG = "time,machine,field,crop,speed_m_s,cleaning_loss_signal\n" + "".join(
    f"2026-07-20T08:00:{i:02d}Z,Combine A,Mill Field,wheat,1.{i % 9},{10 + i % 13}\n" for i in range(60)
)


def digest(lake: Path, capsys: pytest.CaptureFixture[str]) -> str:
    found = json_of(["check", "--lake", str(lake)], capsys)
    assert found["whole"] is True
    return found["content_digest"]


@pytest.mark.slow
def test_corrected_withdrawn_and_back_again(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """After each step the lake is what a fresh one would be that saw only the files that count."""
    inbox, lake = tmp_path / "inbox", tmp_path / "lake"
    inbox.mkdir()
    log, other = inbox / "day.csv", inbox / "other.csv"

    def fresh(*files: Path) -> str:
        folder = tmp_path / f"fresh_{len(list(tmp_path.iterdir()))}"
        (folder / "inbox").mkdir(parents=True)
        for file in files:
            (folder / "inbox" / file.name).write_bytes(file.read_bytes())
        assert run(["ingest", str(folder / "inbox"), "--lake", str(folder / "lake")]) in (0, 1)
        return digest(folder / "lake", capsys)

    def after(call: list[str], exit_code: int = 0) -> str:
        assert run(call) == exit_code
        return digest(lake, capsys)

    ingest = ["ingest", str(inbox), "--lake", str(lake)]
    log.write_text(LOG)
    other.write_text(LOG.replace("Combine A", "Combine B"))
    first = after(ingest)
    assert first == fresh(log, other)

    log.write_text(LOG.replace("Z,Combine A,Mill Field,wheat,1.3", "Z,Combine A,Mill Field,wheat,-99"))
    assert after(ingest, 1) == fresh(log, other) != first
    assert after(ingest) == fresh(log, other)

    log.write_text(LOG)
    assert after(ingest) == first

    retracted = after(["retract", "other.csv", "--lake", str(lake)])
    assert after(ingest) == retracted
    assert after(["retract", "other.csv", "--lake", str(lake), "--undo"]) != first
    assert after(ingest) == first


def test_a_file_that_leaves_the_inbox_still_counts(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Inboxes are emptied once their files are taken in; only ``retract`` takes data out."""
    inbox, lake = tmp_path / "inbox", tmp_path / "lake"
    inbox.mkdir()
    (inbox / "day.csv").write_text(LOG)
    ingest = ["ingest", str(inbox), "--lake", str(lake)]
    assert run(ingest) == 0
    before = digest(lake, capsys)
    (inbox / "day.csv").unlink()
    assert run(ingest) == 0
    assert digest(lake, capsys) == before


def test_a_night_before_anything_was_delivered(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "inbox").mkdir()
    call = ["nightly", str(tmp_path / "inbox"), "--lake", str(tmp_path / "lake")]
    night = json_of([*call, "--site", str(tmp_path / "site")], capsys)
    assert night["failed"] == [] and night["ingest"]["files"] == 0
    assert "No files have been ingested yet." in (tmp_path / "site" / "nightly.html").read_text()
