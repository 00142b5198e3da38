"""Sensors that look wrong, each fault put into made-up work of two machines; sound work raises no suspicion."""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl
import pytest
from builders.memory_lake import MemoryLake
from chaffinch.pipelines.agronomy.load_tickets import LOADS_SCHEMA, FlowCalibration
from chaffinch.pipelines.estimate.results.calibration import check_pairs
from chaffinch.pipelines.work import mark_work
from chaffinch.pipelines.work.delays.lag import DEFAULT_DELAYS
from chaffinch.pipelines.work.load_calibration import WeighedLoads
from chaffinch.pipelines.work.sensor_health import Suspicion, suspicions
from chaffinch.schemas.tables import tables

START = datetime(2026, 7, 20, 9, tzinfo=UTC)
NO_LOADS = WeighedLoads(pl.DataFrame(schema=LOADS_SCHEMA), {})


def made(readings: pl.DataFrame, checks: pl.DataFrame | None = None) -> MemoryLake:
    delivery = {
        "delivery": "d",
        "rows_stored": '{"readings": 1}',
        "machines": readings["machine"].unique().to_list(),
        "last_time": readings["time"].max(),
    }
    lake = {"readings": readings, "deliveries": pl.DataFrame([delivery])}
    return (
        MemoryLake(**lake) if checks is None else MemoryLake(**lake, field_jobs=with_checks(readings, checks))
    )


def with_checks(readings: pl.DataFrame, checks: pl.DataFrame) -> pl.DataFrame:
    """Rows of ``field_jobs`` of one field job as far as they matter here."""
    pairs = check_pairs(mark_work(readings), checks, DEFAULT_DELAYS.loss_s)
    first = readings.select("machine", "field", "crop", last_time=pl.col("time").max()).head(1)
    return first.with_columns(loss_checks=pl.lit(json.dumps(pairs.tolist())))


def work(machine: str, day: int = 0, seed: int = 0, **channels: Any) -> pl.DataFrame:
    """An hour of work at 1 Hz: both loss signals follow grain flow, with noise."""
    chance = np.random.default_rng([seed, day, len(machine)])
    n = 3600
    flow = 8 + chance.normal(0, 0.8, n)
    columns = {
        "time": [START + timedelta(days=day, seconds=i) for i in range(n)],
        "working": np.ones(n, dtype=np.int8),
        "speed_m_s": 1.5 + chance.normal(0, 0.1, n),
        "working_width_m": np.full(n, 9.0),
        "grain_flow_kg_s": flow,
        "grain_moisture_pct": 15 + chance.normal(0, 0.3, n),
        "separation_loss_signal": flow * (1.5 + chance.normal(0, 0.3, n)),
        "cleaning_loss_signal": flow * (2.5 + chance.normal(0, 0.4, n)),
        "returns_signal": 20 + chance.normal(0, 2, n),
    }
    columns |= {name: np.broadcast_to(np.asarray(value, dtype=float), n) for name, value in channels.items()}
    frame = pl.DataFrame(columns).with_columns(
        machine=pl.lit(machine), field=pl.lit("Mill Field"), crop=pl.lit("wheat"), delivery=pl.lit("d")
    )
    return tables()["readings"].conform(frame)


def found(
    *frames: pl.DataFrame, checks: pl.DataFrame | None = None, weighed: WeighedLoads = NO_LOADS
) -> list[Suspicion]:
    return suspicions(made(pl.concat(frames), checks), weighed)


def result(one: Suspicion) -> tuple[str, str, str]:
    return one.kind, one.machine, one.channel


def test_sound_work_raises_none() -> None:
    days = [work(machine, day, seed) for machine, seed in (("A", 1), ("B", 2)) for day in range(3)]
    assert found(*days) == []


def test_nothing_logged_raises_none() -> None:
    assert found(work("A").clear()) == []


@pytest.mark.parametrize("channel", ["separation_loss_signal", "grain_flow_kg_s", "grain_moisture_pct"])
def test_a_dead_sensor(channel: str) -> None:
    (one,) = found(work("A"), work("B", seed=2, **{channel: 14.8}))
    assert result(one) == ("dead", "B", channel)
    assert "stayed at 14.8 through 1 h of work" in one.sentence


def test_a_sensor_that_was_dead_before_and_is_mended() -> None:
    assert found(work("A", 0, separation_loss_signal=0.0), work("A", 1)) == []


def test_a_saturated_sensor() -> None:
    loss = np.minimum(work("A", 0, 3)["cleaning_loss_signal"].to_numpy(), 19.0)
    (one,) = found(work("A", 0, 3, cleaning_loss_signal=loss))
    assert result(one) == ("saturated", "A", "cleaning_loss_signal")


def test_one_signal_that_drifts_from_the_other() -> None:
    later = work("A", 2, 5)
    loss = later["separation_loss_signal"].to_numpy() * 5
    (one,) = found(work("A", 0), work("A", 1), work("A", 2, 5, separation_loss_signal=loss))
    assert result(one) == ("drifting", "A", "separation_loss_signal")
    assert "5.0 times as high" in one.sentence and "did not follow" in one.sentence


def test_both_signals_together_are_more_loss_and_no_drift() -> None:
    """Twice to four times the loss is a wetter day, as long as both sensors say so."""
    later = work("A", 2, 5)
    louder = {c: later[c].to_numpy() * 4 for c in ("separation_loss_signal", "cleaning_loss_signal")}
    assert found(work("A", 0), work("A", 1), work("A", 2, 5, **louder)) == []


def test_moisture_against_a_neighbour() -> None:
    moist = work("B", seed=2)["grain_moisture_pct"].to_numpy() + 2.5
    one, other = found(work("A"), work("B", seed=2, grain_moisture_pct=moist))
    assert (
        result(one) == ("out of calibration", "A", "grain_moisture_pct")
        and "2.5 points below that of B" in one.sentence
    )
    assert "2.5 points above that of A" in other.sentence


def test_a_loss_check_that_contradicts_the_signals() -> None:
    """kg/ha in proportion to the signal, but the last one six times as much."""
    rows = [
        {
            "delivery": "d",
            "file": "c.csv",
            "row": i,
            "machine": "A",
            "time": START + timedelta(minutes=10 * i),
            "place": "machine",
            "machine_loss_kg_ha": kg,
        }
        for i, kg in ((1, 60.0), (2, 62.0), (3, 59.0), (4, 360.0))
    ]
    checks = tables()["loss_checks"].conform(pl.DataFrame(rows))
    (one,) = found(work("A"), checks=checks)
    assert one.kind == "out of calibration" and one.channel == "loss signals"
    (factor,) = re.findall(r"found ([\d.]+) times the loss", one.sentence)
    assert float(factor) == pytest.approx(6, rel=0.06)  # six, but for the noise of the signals
    assert found(work("A"), checks=checks.head(3)) == []


def test_grain_flow_against_weighed_loads() -> None:
    """A factor of 0.8: the sensor logged a quarter more than was weighed."""
    calibration = FlowCalibration("A", "wheat", 0.8, 4, 3.0, 1.5)
    weighed = WeighedLoads(pl.DataFrame(schema=LOADS_SCHEMA), {("A", "wheat"): calibration})
    (one,) = found(work("A"), weighed=weighed)
    assert result(one) == ("out of calibration", "A", "grain_flow_kg_s")
    assert "25 % more grain than was weighed" in one.sentence
