"""Task data from the command line: written, looked at, taken in."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import polars as pl
import pytest
from builders.places import SAMPLE_DATA
from chaffinch.pipelines.command_line.program import run
from chaffinch.pipelines.lake import Lake

SIZE = ["--fields", "2", "--hours", "0.5", "--machines", "2", "--seed", "5"]


def test_a_made_up_season_as_task_data_is_the_one_as_csv(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The same season, written both ways and taken in: the same moments, machines and values."""
    readings = {}
    for form in ("csv", "task-data"):
        out, lake = tmp_path / form, str(tmp_path / f"{form} lake")
        assert run(["simulate", str(out), "--format", form, *SIZE, "--json"]) == 0
        assert run(["ingest", str(out / "inbox"), "--lake", lake, "--json"]) == 0
        frame = Lake.open(lake).scan("readings").collect()
        readings[form] = frame.sort("machine", "time")
    assert (readings["csv"].height, readings["task-data"].height) == (3600, 3600)
    for name in ("time", "machine", "field", "crop", "working"):
        assert readings["csv"][name].to_list() == readings["task-data"][name].to_list(), name
    # Half a step of either: CSV keeps one digit of km/h, t/h and %, task data whole mm/s, mg/s and ppm.
    halves = {
        "speed_m_s": 0.05 / 3.6 + 5e-4,
        "grain_flow_kg_s": 0.05 / 3.6 + 5e-7,
        "grain_moisture_pct": 0.05005,
    }
    for name, apart in halves.items():
        difference = (readings["csv"][name] - readings["task-data"][name]).abs().max()
        assert difference is not None and difference <= apart * 1.0001, name
    capsys.readouterr()


def test_inspect_says_what_each_column_became(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["simulate", str(tmp_path / "s"), "--format", "task-data", *SIZE]) == 0
    capsys.readouterr()
    (folder,) = sorted((tmp_path / "s" / "inbox").rglob("TASKDATA.XML"))[:1]
    assert run(["inspect", str(folder.parent), "--json"]) == 0
    (file,) = json.loads(capsys.readouterr().out)["files"]
    assert file["kind"] == "task data"
    became = {entry["is"]: entry for entry in file["columns"]}
    assert became["grain_flow_kg_s"]["to_unit"] == "kg/s"
    assert became["separation_loss_signal"]["kind"] == "channel"


def test_another_form_is_a_wrong_call(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["simulate", str(tmp_path / "s"), "--format", "paper"]) == 2
    assert "A log can be written as csv or as task-data, not as 'paper'." in capsys.readouterr().err


def test_a_lake_keeps_what_was_set_aside(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A cut log in an inbox: the night goes on, the rest is kept, the command says 1."""
    assert run(["simulate", str(tmp_path / "s"), "--format", "task-data", *SIZE]) == 0
    inbox, lake = tmp_path / "s" / "inbox", str(tmp_path / "lake")
    log = sorted(inbox.rglob("TLG00001.BIN"))[0]
    log.write_bytes(log.read_bytes()[:-3])
    capsys.readouterr()
    assert run(["ingest", str(inbox), "--lake", lake]) == 1
    aside = Lake.open(lake).scan("set_aside").collect()
    assert aside["rule"].to_list() == ["cut_record"]
    assert "The log ends inside a record" in aside["sentence"][0]
    kept = Lake.open(lake).scan("readings").select(pl.len()).collect().item()
    assert kept == 3599


SAMPLE = SAMPLE_DATA


@pytest.mark.slow
def test_the_sample_s_task_data_becomes_pages_with_effects(tmp_path: Path) -> None:
    """Set values in the time logs of the third machine: found as adjustments, estimated, shown on its pages."""
    inbox = tmp_path / "inbox"
    inbox.mkdir()
    shutil.copy(SAMPLE / "inbox" / "combine_c" / "taskdata_2026-07.zip", inbox)
    lake, site = str(tmp_path / "lake"), tmp_path / "site"
    assert run(["nightly", str(inbox), "--lake", lake, "--site", str(site), "--json"]) == 0
    effects = Lake.open(lake).scan("effects").filter(pl.col("scope") == "adjustment").collect()
    truth = pl.read_csv(
        SAMPLE / "truth.csv", schema_overrides={"from_value": pl.String, "to_value": pl.String}
    )
    truth = truth.filter(pl.col("machine") == "Combine C").with_columns(
        pl.col("logged_time").str.to_datetime(time_zone="UTC", time_unit="us").alias("time")
    )
    both = effects.join(
        truth, on=["time", "machine", "field", "setting", "from_value", "to_value", "outcome"], how="inner"
    )
    changes = truth.select("time", "setting").unique()
    assert both.select("time", "setting").unique().height == changes.height == 4
    result = both.filter(pl.col("log_ratio_low").is_not_null())
    held = result["log_ratio_right"].is_between(result["log_ratio_low"], result["log_ratio_high"])
    assert result.height >= 20
    # 95 % ranges of few and related effects: far fewer than four in five would mean a fault.
    assert held.mean() > 0.8  # type: ignore[operator]
    pages = "".join(page.read_text(encoding="utf-8") for page in (site / "fields").glob("*.html"))
    plain = re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", pages))
    assert "Fan speed 1050 → 1000 rpm" in plain and "Upper sieve opening 14 → 16 mm" in plain
    assert "Steady work: " in plain
