"""Seasons written as task data come back as they were, through folder, zip and inbox."""

from __future__ import annotations

import datetime as dt
import zipfile
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from builders import task_data_sets as sets
from chaffinch.pipelines.farm import Farm
from chaffinch.pipelines.ingest import read
from chaffinch.pipelines.ingest.inbox.discover import find_files
from chaffinch.pipelines.ingest.task_data import describe_columns
from chaffinch.pipelines.simulate.task_data.writer import write_task_data
from chaffinch.schemas.tables import tables

START = dt.datetime(2026, 7, 20, 8, tzinfo=dt.UTC)
SQUARE = "POLYGON ((8.99 50.99, 9.01 50.99, 9.01 51.01, 8.99 51.01, 8.99 50.99))"


def season(count: int = 400) -> pl.DataFrame:
    rng = np.random.default_rng(3)
    step = np.arange(count)
    return pl.DataFrame(
        {
            "time": [START + dt.timedelta(seconds=int(second)) for second in step],
            "machine": "Combine C",
            "field": "Mill Field",
            "crop": "wheat",
            "latitude": 51.0 + step * 1e-5,
            "longitude": 9.0 + step * 1e-6,
            "altitude_m": 120 + rng.random(count),
            "speed_m_s": 1.5 + 0.1 * rng.random(count),
            "heading_deg": 360 * rng.random(count),
            "working": (step % 100 < 90).astype(np.int8),
            "working_width_m": np.full(count, 9.1),
            "grain_flow_kg_s": 8 + rng.random(count),
            "grain_moisture_pct": 14 + rng.random(count),
            "separation_loss_signal": 1e6 * rng.random(count),
            "cleaning_loss_signal": rng.random(count),
            "returns_signal": 30 * rng.random(count),
            "broken_grain_pct": rng.random(count),
            "engine_load_pct": 80 * rng.random(count),
            "fuel_rate_l_h": 40 + rng.random(count),
            "pitch_deg": -2 + rng.random(count),
            "roll_deg": 5 * rng.random(count),
        }
    )


def changes() -> pl.DataFrame:
    rows = [
        (100, "fan_speed", "1000", "1050", "rpm", "number"),
        (200, "rotor_speed", "850", "800", "rpm", "number"),
        (300, "fan_speed", "1050", "1000", "rpm", "number"),
        (310, "spreader_speed", "low", "high", None, "either_or"),
    ]
    return pl.DataFrame(
        [(START + dt.timedelta(seconds=s), "Combine C", *rest) for s, *rest in rows],
        schema=["time", "machine", "setting", "from_value", "to_value", "unit", "kind"],
        orient="row",
    )


# Half a raw step of each column, by the resolutions of the public dictionary or the writer's own scale.
HALF_STEPS = {
    "latitude": 0.5e-7,
    "longitude": 0.5e-7,
    "grain_flow_kg_s": 0.5e-6,
    "grain_moisture_pct": 0.5e-4,
    "fuel_rate_l_h": 0.0018,
    "separation_loss_signal": 0.005,
}


@pytest.mark.parametrize("zone", ["UTC", "Europe/London", "America/Chicago"])
def test_readings_come_back(tmp_path: Path, zone: str) -> None:
    frame = season()
    write_task_data(tmp_path, [frame], changes(), {"Mill Field": SQUARE}, zone)
    parsed = sets.read_packed(tmp_path)
    assert parsed.readings is not None and parsed.set_aside is None
    back = parsed.readings
    assert back["time"].to_list() == frame["time"].to_list()
    for name in ("machine", "field", "crop", "working"):
        assert back[name].to_list() == frame[name].to_list()
    for name in frame.columns[4:]:
        apart = (back[name].cast(pl.Float64) - frame[name].cast(pl.Float64)).abs().max()
        assert apart is not None and apart <= 1.0001 * HALF_STEPS.get(name, 0.0005), name
    tables()["readings"].conform(back.with_columns(delivery=pl.lit("d"), file=pl.lit("f")))


def test_adjustments_come_back_but_those_in_words(tmp_path: Path) -> None:
    write_task_data(tmp_path, [season()], changes())
    parsed = sets.read_packed(tmp_path)
    assert parsed.adjustments is not None
    expected = changes().filter(pl.col("kind") == "number")
    columns = ["time", "machine", "setting", "from_value", "to_value", "unit", "kind"]
    assert parsed.adjustments.select(columns).rows() == expected.select(columns).rows()
    assert parsed.adjustments["row"].to_list() == [101, 201, 301]


def test_a_value_that_was_put_back_between_two_fields(tmp_path: Path) -> None:
    """The second field begins where its own first change says, not where the first field ended."""
    day = pl.col("time") + pl.duration(days=1)
    second = season().with_columns(day, field=pl.lit("Long Acre"))
    fan = changes().filter(pl.col("setting") == "fan_speed").head(1)
    write_task_data(tmp_path, [season(), second], pl.concat([fan, fan.with_columns(day)]))
    parsed = sets.read_packed(tmp_path)
    assert parsed.adjustments is not None
    assert parsed.adjustments.select("row", "from_value", "to_value").rows() == [
        (101, "1000", "1050"),
        (401, "1050", "1000"),
        (501, "1000", "1050"),
    ]


def test_totals_of_the_machine_agree_with_its_log(tmp_path: Path) -> None:
    write_task_data(tmp_path, [season()])
    notes = [note for note in sets.read_packed(tmp_path).notes if "the machine's own total" in note]
    assert len(notes) == 3
    assert all(note.endswith("(they agree).") for note in notes)


def test_the_same_season_gives_the_same_bytes(tmp_path: Path) -> None:
    for name in ("one", "two"):
        write_task_data(tmp_path / name, [season()], changes(), {"Mill Field": SQUARE})
    files = sorted(path.name for path in (tmp_path / "one").iterdir())
    assert files == ["TASKDATA.XML", "TLG00001.BIN", "TLG00001.XML"]
    for name in files:
        assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "two" / name).read_bytes()


def test_through_the_inbox_as_folder_and_as_zip(tmp_path: Path) -> None:
    folder = tmp_path / "inbox" / "card" / "TASKDATA"
    write_task_data(folder, [season(), season().with_columns(machine=pl.lit("Combine D"))])
    archive = tmp_path / "inbox" / "export.zip"
    with zipfile.ZipFile(archive, "w", zipfile.ZIP_DEFLATED) as packed:
        for path in folder.iterdir():
            packed.write(path, f"My export/TASKDATA/{path.name}")
    found = [file for file in find_files(tmp_path / "inbox") if file.is_task_data]
    assert len(found) == 2
    parsed = [read(file, Farm(), []) for file in found]
    for one in parsed:
        assert one.kind == "task data"
        assert one.rows_read == 800
        assert one.readings is not None
        assert one.readings.equals(parsed[0].readings)
        assert one.readings["machine"].unique().sort().to_list() == ["Combine C", "Combine D"]


def test_gaps_stay_gaps(tmp_path: Path) -> None:
    """A channel without value for a while, a machine without moisture sensor, a log without positions."""
    frame = season().drop("latitude", "longitude", "altitude_m", "grain_moisture_pct")
    hole = pl.int_range(pl.len()).is_between(100, 199)
    frame = frame.with_columns(pl.when(~hole).then("grain_flow_kg_s").alias("grain_flow_kg_s"))
    write_task_data(tmp_path, [frame])
    back = sets.read_packed(tmp_path).readings
    assert back is not None
    assert "grain_moisture_pct" not in back.columns
    assert back["latitude"].null_count() == len(back)
    # Logged each second, so the last value before the hole holds for three seconds more.
    assert back["grain_flow_kg_s"].null_count() == 97


def test_what_each_column_became(tmp_path: Path) -> None:
    write_task_data(tmp_path, [season()], changes())
    described = describe_columns(sets.packed_file(tmp_path).members, "set", Farm())
    by_target = {entry["is"]: entry for entry in described}
    assert by_target["grain_flow_kg_s"]["header"] == "87/6/grain_flow_kg_s"
    assert (by_target["grain_flow_kg_s"]["to_unit"], by_target["grain_flow_kg_s"]["factor"]) == ("kg/s", 1e-6)
    assert by_target["fan_speed_rpm"]["kind"] == "setting"
    assert by_target["working"]["header"] == "141/0/working"
    assert all(entry["is"] for entry in described)
