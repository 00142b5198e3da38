"""A season on disk: the same bytes for the same seed, readable again, truth kept out of the inbox."""

from __future__ import annotations

import csv
import gzip
import io
import json
import tomllib
import zipfile
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl
import pytest
from builders.places import SAMPLE_DATA
from chaffinch.pipelines.errors import CallError
from chaffinch.pipelines.simulate import SCENARIOS, simulate_season, write_season_files
from chaffinch.pipelines.simulate.files.damage import damaged
from chaffinch.pipelines.simulate.files.dialects import IMPERIAL, LOCAL, PLAIN, write_dialect
from chaffinch.pipelines.simulate.files.sample import write_sample
from chaffinch.pipelines.trials.written.trial_plan import parse_trial

SMALL = {"fields": 4, "hours": 0.5, "machines": 3, "adjustments": 2}


def contents(folder: Path) -> dict[str, bytes]:
    """Relative name to content, compressed files unpacked: another zlib may pack the same text otherwise."""
    found = {}
    for file in sorted(path for path in folder.rglob("*") if path.is_file()):
        data = file.read_bytes()
        name = file.relative_to(folder).as_posix()
        if name.endswith(".zip"):
            with zipfile.ZipFile(file) as packed:
                found |= {f"{name}/{member}": packed.read(member) for member in packed.namelist()}
        else:
            found[name] = gzip.decompress(data) if name.endswith(".gz") else data
    return found


@pytest.mark.seconds
def test_the_same_call_gives_the_same_bytes(tmp_path):
    first = write_season_files(tmp_path / "a", "everything", 3, **SMALL, compress=True)
    again = write_season_files(tmp_path / "b", "everything", 3, **SMALL, compress=True)
    files = [sorted(path for path in (tmp_path / x).rglob("*") if path.is_file()) for x in "ab"]
    assert [f.read_bytes() for f in files[0]] == [f.read_bytes() for f in files[1]]
    assert first | {"inbox": "", "truth": ""} == again | {"inbox": "", "truth": ""}
    write_season_files(tmp_path / "c", "everything", 4, **SMALL)
    assert (tmp_path / "a/truth.csv").read_bytes() != (tmp_path / "c/truth.csv").read_bytes()


def test_seed_zero_is_a_seed_like_any_other(tmp_path):
    assert write_season_files(tmp_path / "a", seed=0, **SMALL)["seed"] == 0
    assert write_season_files(tmp_path / "b", **SMALL)["seed"] == 1


def test_summary_counts_what_lies_there_and_truth_is_outside(tmp_path):
    summary = write_season_files(tmp_path, "joint_sometimes", 5, **SMALL)
    json.dumps(summary)
    inbox = tmp_path / "inbox"
    logs = sorted(inbox.rglob("harvest_*.csv"))
    assert len(logs) == 4
    assert summary["readings"] == sum(len(log.read_text().splitlines()) - 1 for log in logs) == 4 * 1800
    assert summary["files"] == len([path for path in inbox.rglob("*") if path.is_file()]) == 8
    with (inbox / "settings_log.csv").open() as file:
        assert len(list(csv.DictReader(file))) == summary["adjustments"]
    assert not list(inbox.rglob("*truth*"))
    truth = pl.read_csv(tmp_path / "truth.csv")
    assert truth.filter(pl.col("outcome") == "capacity").height == summary["adjustments"]
    assert set(truth["outcome"]) >= {"separation_loss", "cleaning_loss", "machine_loss", "capacity"}


def test_a_season_without_adjustments_is_a_season(tmp_path):
    summary = write_season_files(tmp_path, "plain", 5, **SMALL | {"adjustments": 0})
    assert summary["adjustments"] == 0
    assert (tmp_path / "inbox/settings_log.csv").read_text().startswith("time,machine,setting,")
    assert (tmp_path / "truth.csv").read_text().count("\n") == 1


def test_task_data_holds_the_readings_and_every_number_is_logged_once(tmp_path):
    """Read by the project's own reader of the standard; words stay in the settings log."""
    from builders.task_data_sets import read_packed
    from chaffinch.pipelines.farm import load_farm

    size = {"fields": 2, "hours": 0.5, "machines": 1, "adjustments": 6}
    summary = write_season_files(tmp_path, "plain", 9, **size, log_form="task-data")
    folders = sorted((tmp_path / "inbox/combine_a").iterdir())
    farm = load_farm(tmp_path / "inbox/farm.toml")
    parsed = [read_packed(folder, farm) for folder in folders]
    assert sum(one.readings.height for one in parsed) == summary["readings"] == 3600
    logged = pl.read_csv(tmp_path / "inbox/settings_log.csv", infer_schema=False)
    assert logged.height + sum(one.adjustments.height for one in parsed) == summary["adjustments"] == 12
    true = simulate_season(replace(SCENARIOS["plain"], **size), 9).machine_field(0)
    assert parsed[0].readings["time"].to_list() == true.readings["time"].to_list()
    flow = parsed[0].readings["grain_flow_kg_s"].to_numpy()
    assert np.allclose(flow, true.readings["grain_flow_kg_s"].to_numpy(), atol=0.002)


def test_an_inbox_that_is_there_is_left_alone(tmp_path):
    (tmp_path / "inbox").mkdir()
    mine = tmp_path / "inbox" / "mine.csv"
    mine.write_text("time\n")
    with pytest.raises(CallError, match="is there already and not empty. Name another folder"):
        write_season_files(tmp_path, **SMALL)
    assert mine.read_text() == "time\n"
    assert list(tmp_path.rglob("*.toml")) == []


@pytest.mark.parametrize(
    ("wrong", "sentence"),
    [
        ({"fields": 0}, "fields = 0: it must be from 1 to 2000"),
        ({"hours": 25}, "hours = 25: it must be from 0.5 to 14"),
        ({"machines": -1}, "machines = -1: it must be from 1 to 500"),
        ({"adjustments": 61}, "adjustments = 61: it must be from 0 to 60"),
        ({"scenario": "none such"}, "There is no scenario 'none such'. There are: plain"),
        ({"seed": -4}, "A seed is a whole number from 0 up, not -4"),
        (
            {"fields": 900},
            "4 machines need 225 days for 900 fields, one a day each: give at least 9",
        ),
        ({"log_form": "xml"}, "A log can be written as csv or as task-data, not as 'xml'"),
    ],
)
def test_a_wrong_call_is_one_sentence_and_writes_nothing(tmp_path, wrong, sentence):
    with pytest.raises(CallError, match=sentence.replace(".", r"\.")):
        write_season_files(tmp_path / "out", **wrong)
    assert not (tmp_path / "out").exists()


def half_hour():
    return simulate_season(replace(SCENARIOS["plain"], hours=0.5), 2).machine_field(0).readings


def test_local_dialect_says_the_same():
    """Read back with the csv module: km/h and t/h / 3.6, decimal commas, British summer time UTC + 1 h."""
    readings = half_hour()
    rows = list(csv.DictReader(io.StringIO(write_dialect(readings, LOCAL, "Europe/London")), delimiter=";"))
    assert len(rows) == readings.height
    for row, true in zip(rows[::97], readings[::97].iter_rows(named=True), strict=True):
        moment = datetime.fromisoformat(row["Time"]).replace(tzinfo=ZoneInfo("Europe/London"))
        assert moment == true["time"]
        assert row["Time"][11:13] == f"{true['time'].hour + 1:02d}"
        assert float(row["Speed (km/h)"].replace(",", ".")) / 3.6 == pytest.approx(
            true["speed_m_s"], abs=0.015
        )
        flow = float(row["Grain flow (t/h)"].replace(",", ".")) / 3.6
        assert flow == pytest.approx(true["grain_flow_kg_s"], abs=0.015)
        assert float(row["Latitude"].replace(",", ".")) == pytest.approx(true["latitude"], abs=6e-7)


def test_imperial_dialect_says_the_same():
    """Exact definitions: 1 mi = 1609.344 m, 1 ft = 0.3048 m, 1 lb = 0.45359237 kg, 1 US gal = 3.785411784 l
    (international yard and pound, 1959; US gallon of 231 cubic inches)."""
    readings = half_hour()
    rows = list(
        csv.DictReader(io.StringIO(write_dialect(readings, IMPERIAL, "Europe/London")), delimiter="\t")
    )
    for row, true in zip(rows[::97], readings[::97].iter_rows(named=True), strict=True):
        assert datetime.fromisoformat(row["Time"]) == true["time"]
        assert row["Time"].endswith("+01:00")
        assert float(row["Ground speed (mph)"]) * 0.44704 == pytest.approx(true["speed_m_s"], abs=0.003)
        assert float(row["Swath width (ft)"]) * 0.3048 == pytest.approx(true["working_width_m"], abs=0.02)
        flow = float(row["Grain flow (lb/s)"]) * 0.45359237
        assert flow == pytest.approx(true["grain_flow_kg_s"], abs=0.003)
        assert float(row["Fuel rate (gal/h)"]) * 3.785411784 == pytest.approx(true["fuel_rate_l_h"], abs=0.02)


def test_plain_dialect_has_the_canonical_columns():
    readings = half_hour()
    text = write_dialect(readings, PLAIN, "Europe/London")
    assert text.splitlines()[0].split(",") == readings.columns
    again = pl.read_csv(io.StringIO(text))
    moments = again["time"].str.to_datetime("%Y-%m-%dT%H:%M:%SZ", time_zone="UTC")
    assert moments.to_list() == readings["time"].to_list()
    missing = readings["broken_grain_pct"].is_null()
    assert missing.any() and again["broken_grain_pct"].is_null().equals(missing)
    assert np.allclose(again["grain_flow_kg_s"], readings["grain_flow_kg_s"], atol=0.0051)


@pytest.mark.parametrize("dialect", [PLAIN, LOCAL, IMPERIAL])
def test_spoiling_damages_few_rows_and_drops_none(dialect):
    text = write_dialect(half_hour(), dialect, "Europe/London")
    before, after = text.splitlines(), damaged(text).splitlines()
    assert len(after) == len(before) + 1
    assert after.count(before[0]) == 2
    assert len(set(after) - set(before)) == 6
    assert sum("-13-" in line for line in after) == 1


def test_farm_file_boundaries_and_loss_checks_can_be_read(tmp_path):
    from chaffinch.pipelines.farm import load_farm

    write_season_files(tmp_path, "plain", 6, **SMALL)
    inbox = tmp_path / "inbox"
    farm = load_farm(inbox / "farm.toml")
    assert list(farm.machines) == ["Combine A", "Combine B", "Combine C"]
    assert farm.machines["Combine B"].time_zone == "Europe/London"
    assert tomllib.loads((inbox / "farm.toml").read_text())["prices"]["per_t"] == {"wheat": 210}
    boundaries = json.loads((inbox / "fields.geojson").read_text())
    names = [feature["properties"]["field"] for feature in boundaries["features"]]
    assert len(names) == len(set(names)) == 4
    for feature in boundaries["features"]:
        ring = feature["geometry"]["coordinates"][0]
        assert ring[0] == ring[-1] and len(ring) == 5
    checks = pl.read_csv(inbox / "loss_checks.csv")
    weighed, counted = checks["machine_loss_kg_ha"].is_not_null(), checks["kernels"].is_not_null()
    assert (weighed != counted).all() and weighed.any() and counted.any()


def test_counted_kernels_mean_the_weighed_loss(tmp_path):
    """kg/ha = kernels / (frames x area) x kernel mass x discharge / cut width x 10: grams per square metre
    behind the machine, spread back over the cut width; 1 g/m2 = 10 kg/ha. Common practice, no source."""
    write_season_files(tmp_path, "plain", 6, **SMALL)
    counted = pl.read_csv(tmp_path / "inbox/loss_checks.csv").filter(pl.col("kernels").is_not_null())
    season = simulate_season(replace(SCENARIOS["plain"], **SMALL), 6)
    true = {(f.machine.name, f.field): f.loss_checks["machine_loss_kg_ha"][0] for f in season.iter()}
    for row in counted.iter_rows(named=True):
        g_m2 = row["kernels"] / (row["frames"] * row["frame_area_m2"]) * row["thousand_kernel_mass_g"] / 1000
        kg_ha = g_m2 * row["discharge_width_m"] / row["cut_width_m"] * 10
        assert kg_ha == pytest.approx(true[row["machine"], row["field"]], rel=0.01)


@pytest.mark.seconds
def test_sample_data_is_what_its_command_makes(tmp_path):
    """Regenerate and compare every byte (compressed logs: of the text within)."""
    write_sample(tmp_path)
    made, kept = contents(tmp_path), contents(SAMPLE_DATA)
    kept.pop("README.md")
    kept.pop("field_page.png")
    assert list(made) == list(kept)
    for name in made:
        assert made[name] == kept[name], (
            f"{name} differs from what the command in sample_data/README.md makes"
        )


def test_sample_data_is_small_and_says_where_it_is_from():
    size = sum(path.stat().st_size for path in SAMPLE_DATA.rglob("*") if path.is_file())
    assert size < 6_000_000
    text = (SAMPLE_DATA / "README.md").read_text()
    assert "python -m chaffinch.pipelines.simulate.files.sample" in text and "seed 7" in text


def test_sample_data_holds_what_a_visitor_should_see():
    """Two crops, two trials, a joint change, an A-B-A repeat, one strong effect, three days."""
    truth = pl.read_csv(SAMPLE_DATA / "truth.csv", try_parse_dates=True).sort("time")
    assert set(truth["crop"]) == {"wheat", "barley"}
    assert truth["joint_id"].drop_nulls().n_unique() == 2
    repeat = truth.filter(pl.col("setting") == "rotor_speed", pl.col("outcome") == "separation_loss")
    assert repeat["to_value"].to_list() == ["950", "850", "950"]
    assert repeat["log_ratio"][0] == -repeat["log_ratio"][1] < -0.6
    plans = {path.stem: parse_trial(path.read_text()) for path in (SAMPLE_DATA / "inbox/trials").iterdir()}
    assert len(plans) == 2
    for name, plan in plans.items():
        machine, day = name.rsplit("_", 1)
        assert plan.machine == machine.replace("_", " ").title()
        done = truth.filter(
            pl.col("setting") == plan.setting,
            pl.col("machine") == plan.machine,
            pl.col("time").dt.date().cast(pl.String) == day,
            pl.col("outcome") == "cleaning_loss",
        )
        # One is finished, the other half-way.
        planned = len(plan.steps) - 1
        assert done.height == planned if plan.crop == "wheat" else 3 < done.height < planned
    assert truth["time"].dt.date().n_unique() == 3
    assert truth["time"].min() > datetime(2026, 7, 1, tzinfo=UTC)


def test_every_dialect_is_read_back_as_what_was_simulated(tmp_path):
    """The project's own reader against the simulated readings, to the digits that each dialect keeps."""
    from chaffinch.pipelines.farm import load_farm
    from chaffinch.pipelines.ingest import read
    from chaffinch.pipelines.ingest.inbox.discover import find_files

    size = {"fields": 3, "hours": 0.5, "machines": 3}
    write_season_files(tmp_path, "plain", 4, **size)
    farm = load_farm(tmp_path / "inbox/farm.toml")
    true = {f.machine.name: f for f in simulate_season(replace(SCENARIOS["plain"], **size), 4).iter()}
    logs = [file for file in find_files(tmp_path / "inbox") if "harvest_" in file.name]
    assert len(logs) == 3
    digits = {"speed_m_s": 0.02, "grain_flow_kg_s": 0.02, "latitude": 1e-6, "altitude_m": 0.16}
    for log in logs:
        parsed = read(log, farm, [])
        assert parsed.set_aside is None or parsed.set_aside.height == 0
        expected = true[parsed.readings["machine"][0]].readings
        assert parsed.readings["time"].to_list() == expected["time"].to_list()
        assert parsed.readings["working"].to_list() == expected["working"].to_list()
        for column, step in digits.items():
            assert np.allclose(parsed.readings[column], expected[column], atol=step), (log.name, column)
