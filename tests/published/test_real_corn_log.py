"""A real yield log through the command line: every row is kept, and the published yield comes out.

The log: 4,949 records of one corn field in Minnesota, 5 November 2011, University of Minnesota Precision
Agriculture Center, by way of the R package agridat (``gartner.corn``), licence CC BY-SA 3.0; not part of this
repository. The way from its columns to yield is that of the package's documentation:
dry bushels = mass [lb/s] * seconds * (100 - moisture) / (100 - 15.5) / 56 lb; acres = dist [in] * 360 in /
6,272,640 in2; over all records 9,027 bu on 67.64 ac, 133.5 bu/ac.
"""

from __future__ import annotations

import shutil
from datetime import UTC, datetime

import polars as pl
import pytest
from builders.places import corn_log
from chaffinch.pipelines.command_line.program import run

pytestmark = pytest.mark.seconds

RECORDS = 4949
DRY_BU, AREA_AC, YIELD_BU_AC = 9027, 67.64, 133.5

# NIST SP 811, appendix B.8: one pound, one inch and one acre (here of 6,272,640 square inches).
KG_PER_LB, M_PER_IN, IN2_PER_AC = 0.45359237, 0.0254, 6_272_640

FARM = """
units = "us"
[columns."corn_yield_log_2011.tsv"]
constants = { machine = "Combine A", field = "Home Field", crop = "corn", working_width = "360 in" }
time_start = 2011-11-05T12:38:03
time_zone = "America/Chicago"
[columns."corn_yield_log_2011.tsv".names]
long = "longitude"
lat = "latitude"
time = "time"
mass = { is = "grain_flow_kg_s", unit = "lb/s" }
seconds = { is = "record_duration_s", unit = "s" }
dist = { is = "distance_m", unit = "in" }
moist = "grain_moisture_pct"
elev = { is = "altitude_m", unit = "ft" }
"""


@pytest.fixture(scope="module")
def readings(tmp_path_factory: pytest.TempPathFactory) -> pl.DataFrame:
    log = corn_log()
    folder = tmp_path_factory.mktemp("corn")
    (folder / "inbox").mkdir()
    shutil.copy(log, folder / "inbox")
    (folder / "inbox" / "farm.toml").write_text(FARM)
    lake = str(folder / "lake")
    assert run(["ingest", str(folder / "inbox"), "--lake", lake]) == 0
    for table in ("readings", "set_aside"):
        assert run(["export", table, "--lake", lake, "--to", str(folder / f"{table}.parquet")]) == 0
    aside = pl.read_parquet(folder / "set_aside.parquet")
    kept = pl.read_parquet(folder / "readings.parquet")
    assert kept.height + aside["row"].n_unique() == RECORDS
    return kept.sort("row")


def test_every_record_is_a_reading_with_its_values(readings: pl.DataFrame) -> None:
    """Each value of the file, converted here by hand, is in the row of the lake that has its line number."""
    source = pl.read_csv(corn_log(), separator="\t").with_row_index("row", offset=2)
    assert readings["row"].to_list() == source["row"].to_list()
    for column, expected in {
        "latitude": source["lat"],
        "longitude": source["long"],
        "grain_flow_kg_s": source["mass"] * KG_PER_LB,
        "record_duration_s": source["seconds"],
        "distance_m": source["dist"] * M_PER_IN,
        "grain_moisture_pct": source["moist"],
        "altitude_m": source["elev"] * 12 * M_PER_IN,
    }.items():
        assert readings[column].to_list() == pytest.approx(expected.cast(pl.Float64).to_list(), rel=1e-12), (
            column
        )


def test_times_are_those_of_the_field(readings: pl.DataFrame) -> None:
    """12:38:03 on 5 November 2011 was daylight time in Minnesota, five hours behind UTC."""
    assert readings["time"][0] == datetime(2011, 11, 5, 17, 38, 3, tzinfo=UTC)
    seconds = pl.read_csv(corn_log(), separator="\t")["time"]
    passed_s = (readings["time"] - readings["time"][0]).dt.total_microseconds() / 1e6
    assert passed_s.to_list() == seconds.cast(pl.Float64).to_list()


def test_the_published_yield_comes_out(readings: pl.DataFrame) -> None:
    totals = readings.select(
        bu=(
            pl.col("grain_flow_kg_s") / KG_PER_LB * pl.col("record_duration_s")
            * (100 - pl.col("grain_moisture_pct")) / (100 - 15.5) / 56
        ).sum(),
        ac=(pl.col("distance_m") * pl.col("working_width_m") / M_PER_IN**2 / IN2_PER_AC).sum(),
    ).row(0, named=True)  # fmt: skip
    assert totals["bu"] == pytest.approx(DRY_BU, rel=1e-3)
    assert totals["ac"] == pytest.approx(AREA_AC, rel=1e-3)
    assert totals["bu"] / totals["ac"] == pytest.approx(YIELD_BU_AC, rel=1e-3)
