"""Batch expectations: findings on a damaged delivery, and none on a sound one."""

from __future__ import annotations

import subprocess
import sys
from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest
from chaffinch.pipelines.farm import Farm
from chaffinch.pipelines.farm.entries import Thresholds
from chaffinch.pipelines.parsed import Parsed
from chaffinch.pipelines.validate import judge
from chaffinch.pipelines.validate.judgement import in_words
from chaffinch.pipelines.validate.measures import MEASURES, measure
from chaffinch.schemas.declared_checks import batch_expectations

NOON = datetime(2026, 7, 20, 12, tzinfo=UTC)
ROWS = 4 * 3600


def sound(rows: int = ROWS) -> pl.DataFrame:
    """Four hours of work, one reading a second, every channel moving as a real one does."""
    random = np.random.default_rng(4)
    start = pl.Series([NOON]).dt.cast_time_unit("us")[0]
    return pl.DataFrame(
        {
            "row": np.arange(2, rows + 2),
            "time": pl.datetime_range(
                start, start + timedelta(seconds=rows - 1), "1s", time_unit="us", eager=True
            ),
            "machine": ["Combine A"] * rows,
            "field": ["Mill Field"] * rows,
            "crop": ["wheat"] * rows,
            "latitude": random.normal(52, 0.001, rows),
            "longitude": random.normal(9, 0.001, rows),
            "working": np.ones(rows, dtype=np.int8),
            "working_width_m": np.full(rows, 9.0),
            "speed_m_s": random.normal(1.5, 0.1, rows),
            "grain_flow_kg_s": random.normal(9, 1, rows),
            "grain_moisture_pct": random.normal(14, 0.3, rows),
            "separation_loss_signal": random.gamma(4, 10, rows),
            "cleaning_loss_signal": random.gamma(4, 10, rows),
            "returns_signal": random.gamma(4, 10, rows),
        }
    )


def log(readings: pl.DataFrame, rows_read: int | None = None, aside: pl.DataFrame | None = None) -> Parsed:
    return Parsed(
        "harvest log",
        readings=readings,
        set_aside=aside,
        rows_read=readings.height if rows_read is None else rows_read,
    )


def aside(rows: int) -> pl.DataFrame:
    return pl.DataFrame({"row": np.arange(1_000_000, 1_000_000 + rows)}).with_columns(
        rule=pl.lit("bad_time"),
        column=pl.lit("time"),
        value=pl.lit("?"),
        sentence=pl.lit("?"),
        content=pl.lit("{}"),
        row_kept=pl.lit(False),
    )


def spoilt() -> dict[str, tuple[Parsed, str, str]]:
    """Name: (delivery, judgement, the beginning of its finding)."""
    good = sound()
    still = pl.int_range(pl.len()) < 3 * 3600 + 12 * 60
    cut = pl.when(pl.int_range(pl.len()) % 4 == 0).then(pl.col("cleaning_loss_signal"))
    back = pl.col("time").dt.offset_by("-10s")
    ceiling = pl.col("separation_loss_signal").clip(upper_bound=35.0)
    thinned = good.filter((pl.col("row") % 5 == 0) | (pl.col("row") % 7 == 0) | (pl.col("row") % 11 < 3))
    return {
        "sound": (log(good), "good", ""),
        "dead cleaning loss": (
            log(good.with_columns(pl.when(~still).then("cleaning_loss_signal").otherwise(3.0))),
            "poor",
            "Cleaning loss of Combine A did not change in 3 h 12 min of work: check the sensor and its cable.",
        ),
        "loose cable": (
            log(good.with_columns(cut)),
            "look",
            "Cleaning loss of Combine A is missing in 75 % of the work: see the notes on the file",
        ),
        "saturated": (
            log(good.with_columns(ceiling)),
            "look",
            "Separation loss of Combine A was at its highest value in",
        ),
        "no loss channel": (
            log(good.drop("separation_loss_signal", "cleaning_loss_signal")),
            "look",
            "Combine A logged no loss signal",
        ),
        "no grain flow": (log(good.drop("grain_flow_kg_s")), "look", "Combine A logged no grain flow"),
        "unknown field": (
            log(good.with_columns(field=pl.lit(None, dtype=pl.String))),
            "look",
            "100 % of Combine A's readings are in no named field",
        ),
        "clock runs back": (
            log(
                good.with_columns(pl.when(pl.col("row") % 50 == 0).then(back).otherwise("time").alias("time"))
            ),
            "look",
            "The time of Combine A runs backwards in",
        ),
        "skipping logger": (log(thinned), "look", ""),
        "one a minute": (
            log(good.filter(pl.col("row") % 60 == 2)),
            "look",
            "Combine A has one reading every 60 s",
        ),
        "clock ahead": (
            log(good.with_columns(pl.col("time").dt.offset_by("9y"))),
            "look",
            "Combine A's log ends",
        ),
        "km/h taken for m/s": (
            log(good.with_columns(pl.col("speed_m_s") * 3.6)),
            "look",
            "The median working speed of Combine A is 5.4 m/s",
        ),
        "mostly set aside": (
            log(good.head(3600), 3600 + 7200, aside(7200)),
            "poor",
            "66.7 % of the rows were set aside",
        ),
    }


@pytest.fixture(scope="module")
def judged() -> dict[str, tuple[str, tuple[str, ...], str, str]]:
    """Name: (judgement, findings, expected judgement, expected finding), all judged in one go."""
    cases = spoilt()
    found = judge([(name, parsed) for name, (parsed, _, _) in cases.items()], Farm())
    return {
        name: (found[name].judgement, found[name].findings, *expected)
        for name, (_, *expected) in cases.items()
    }  # type: ignore[misc]


@pytest.mark.seconds
@pytest.mark.parametrize("name", list(spoilt()))
def test_each_delivery(name: str, judged: dict[str, tuple[str, tuple[str, ...], str, str]]) -> None:
    judgement, findings, expected, sentence = judged[name]
    assert judgement == expected, findings
    if expected == "good":
        assert findings == ()
    else:
        assert any(finding.startswith(sentence) for finding in findings), findings
    assert all(finding.endswith(".") and "{" not in finding for finding in findings)


@pytest.mark.seconds
def test_the_worst_comes_first() -> None:
    readings = sound(3600).with_columns(cleaning_loss_signal=pl.lit(3.0), crop=pl.lit(None, dtype=pl.String))
    found = judge([("both", log(readings))], Farm())["both"]
    assert found.judgement == "poor"
    assert found.findings[0].startswith("Cleaning loss")
    assert "have no crop" in found.findings[1]


@pytest.mark.seconds
def test_a_farm_may_ask_for_fewer_rows_aside() -> None:
    parsed = log(sound(1000), 1008, aside(8))
    assert judge([("a", parsed)], Farm())["a"].findings == ()
    strict = judge([("a", parsed)], Farm(thresholds=Thresholds(set_aside_pct=0.5)))["a"]
    assert strict.findings[0].startswith("0.8 % of the rows were set aside, more than 0.5 %")


def test_measures_by_hand() -> None:
    # Ten readings at 0, 1, ... s; the loss signal is 5 in the first four, then moves; one value is missing.
    readings = sound(10).with_columns(
        pl.Series("cleaning_loss_signal", [5.0, 5.0, 5.0, 5.0, 1.0, None, 2.0, 3.0, 9.0, 9.0])
    )
    rows = measure("x", log(readings, 11, aside(1)), frozenset({"cleaning_loss_signal"}))
    whole, machine, channel = rows
    assert whole["set_aside_pct"] == pytest.approx(100 / 11)
    assert machine["interval_s"] == 1.0 and machine["work_h"] == pytest.approx(10 / 3600)
    assert channel["missing_pct"] == pytest.approx(10.0)
    assert channel["unmoved_h"] == pytest.approx(4 / 3600)
    assert channel["at_ceiling_pct"] == pytest.approx(100 * 2 / 9)
    assert channel["median"] == 5.0


def test_every_expectation_bounds_a_known_measure() -> None:
    assert {e.measure for e in batch_expectations().values()} <= set(MEASURES)


def test_durations_in_words() -> None:
    said = [in_words(hours) for hours in (0.05, 3.2, 2.0, 49.0)]
    assert said == ["3 min", "3 h 12 min", "2 h", "2 days"]


@pytest.mark.seconds
def test_the_expectation_library_is_not_imported_without_need() -> None:
    script = """
import sys
from chaffinch.pipelines.farm import Farm
from chaffinch.pipelines.parsed import Parsed
from chaffinch.pipelines.validate import judge
judge([], Farm())
judge([("farm.toml", Parsed("farm"))], Farm())
sys.exit("great_expectations" in sys.modules)
"""
    assert subprocess.run([sys.executable, "-c", script], timeout=60).returncode == 0


@pytest.mark.seconds
def test_rows_out_of_order_are_judged_by_their_times() -> None:
    """A shuffled log is reported as out of order, and nothing false about its interval or its sensors."""
    shuffled = sound().sample(fraction=1.0, shuffle=True, seed=1).with_columns(row=pl.int_range(2, ROWS + 2))
    found = judge([("shuffled", log(shuffled))], Farm())["shuffled"]
    (sentence,) = found.findings
    assert "runs backwards in" in sentence
