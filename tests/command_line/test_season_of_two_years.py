"""A report of one year, from a lake that holds two, is the report of a lake that holds that year alone."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from chaffinch.pipelines.command_line.program import run
from chaffinch.pipelines.simulate import write_season_files


def report(inbox: Path, lake: Path, out: Path) -> str:
    run(["ingest", str(inbox), "--lake", str(lake)])
    assert run(["estimate", "--lake", str(lake)]) == 0
    assert run(["season", "--lake", str(lake), "--year", "2026", "--out", str(out)]) == 0
    return out.read_text(encoding="utf-8")


@pytest.mark.slow
def test_the_other_year_changes_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for year in (2025, 2026):
        write_season_files(tmp_path / str(year), "plain", year, fields=2, hours=1.0, machines=1, year=year)
        shutil.copytree(tmp_path / str(year) / "inbox", tmp_path / "both" / str(year))
    (tmp_path / "both" / "2025" / "farm.toml").unlink(missing_ok=True)
    (tmp_path / "both" / "2025" / "fields.geojson").unlink(missing_ok=True)
    shutil.copytree(tmp_path / "2026" / "inbox", tmp_path / "one" / "2026")

    alone = report(tmp_path / "one", tmp_path / "lake_one", tmp_path / "one.html")
    both = report(tmp_path / "both", tmp_path / "lake_both", tmp_path / "both.html")

    # Only the paragraph about the other years may differ.
    said = [line for line in both.splitlines() if "This year alone." not in line]
    assert said == alone.splitlines()
    capsys.readouterr()
    lake = str(tmp_path / "lake_both")
    assert run(["season", "--lake", lake, "--year", "2024", "--out", "x.html", "--json"]) == 2
    assert "2025, 2026" in json.loads(capsys.readouterr().out)["error"]


def test_a_lake_without_effects_gives_one_sentence(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "inbox").mkdir()
    (tmp_path / "inbox" / "day.csv").write_text(
        "time,machine,speed_m_s\n2026-07-20T08:00:00Z,Combine A,1.5\n2026-07-20T08:00:01Z,Combine A,1.5\n"
    )
    lake = str(tmp_path / "lake")
    run(["ingest", str(tmp_path / "inbox"), "--lake", lake])
    capsys.readouterr()
    out = tmp_path / "report.html"
    assert run(["season", "--lake", lake, "--year", "2026", "--out", str(out)]) == 2
    result = capsys.readouterr()
    assert result.err.startswith("The lake has no effects of adjustments yet.") and result.out == ""
    assert not out.exists()
