"""Whatever a log holds, marking keeps every row, gives each its reason, and uses none without one."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import polars as pl
import pytest
from chaffinch.pipelines.work import ADDED_COLUMNS, machine_delays, mark_work
from chaffinch.pipelines.work.delays.lag import DEFAULT_DELAYS
from chaffinch.pipelines.work.facts import work_facts
from chaffinch.schemas.declarations import channels, reasons
from hypothesis import given, settings
from hypothesis import strategies as st

START_US = int(datetime(2026, 7, 20, 10, tzinfo=UTC).timestamp()) * 1_000_000
CHANNELS = (
    "latitude", "longitude", "altitude_m", "speed_m_s", "heading_deg", "working", "working_width_m",
    "distance_m", "record_duration_s", "grain_flow_kg_s", "grain_moisture_pct", "separation_loss_signal",
    "cleaning_loss_kg_s", "pitch_deg", "roll_deg", "unloading",
)  # fmt: skip


@st.composite
def logs(draw: st.DrawFn) -> pl.DataFrame:
    """Logs of 0 to 900 rows whose channels are missing, constant, wild within their range, or holed."""
    rows = draw(st.sampled_from([0, 1, 2, 3, 25, 130, 900]))
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    step_s = rng.choice([0.0, 0.2, 1.0, 1.0, 1.0, 3.0, 40.0, 90_000.0], rows)
    micros = START_US + (np.cumsum(step_s) * 1e6).astype(np.int64)
    if draw(st.booleans()):
        micros = rng.permutation(micros)
    columns: dict[str, pl.Series] = {"time": pl.Series(micros).cast(pl.Datetime("us", "UTC"))}
    for name, value in (("machine", "A"), ("field", "Mill"), ("crop", "wheat")):
        columns[name] = pl.Series([value] * rows, dtype=pl.String)
    for name in CHANNELS:
        kind = draw(st.sampled_from(["missing", "null", "constant", "wild", "walk", "holed"]))
        if kind == "missing":
            continue
        values = _values(rng, name, kind, rows)
        if name in ("working", "unloading"):
            columns[name] = pl.Series(np.round(values), nan_to_null=True).cast(pl.Int8, strict=False)
        else:
            columns[name] = pl.Series(values, dtype=pl.Float64, nan_to_null=True)
    return pl.DataFrame(columns)


def _values(rng: np.random.Generator, name: str, kind: str, rows: int) -> np.ndarray:
    low, high = channels()[name].low, min(channels()[name].high, 1e6)
    if kind == "null":
        return np.full(rows, np.nan)
    if kind == "constant":
        return np.full(rows, rng.choice([low, high, (low + high) / 2]))
    if kind == "walk":
        size = 1e-5 if name in ("latitude", "longitude") else (high - low) / 100
        return np.clip((low + high) / 3 + np.cumsum(size * rng.standard_normal(rows)), low, high)
    values = rng.uniform(low, high, rows)
    return np.where(rng.random(rows) < 0.4, np.nan, values) if kind == "holed" else values


@pytest.mark.seconds
@settings(max_examples=60, deadline=None)
@given(logs())
def test_every_row_is_kept_with_its_reason(log: pl.DataFrame) -> None:
    marked = mark_work(log)
    assert marked.height == log.height
    assert marked["time"].to_list() == sorted(log["time"].to_list())
    assert {name: marked[name].dtype for name in ADDED_COLUMNS} == ADDED_COLUMNS
    assert marked["usable"].null_count() == 0
    assert (marked["usable"] == marked["unused_because"].is_null()).all()
    assert set(marked["unused_because"].drop_nulls()) <= set(reasons())
    for logged in set(log.columns) - {"speed_m_s", "pitch_deg", "roll_deg"}:
        assert marked[logged].equals(log.sort("time", maintain_order=True)[logged])


@pytest.mark.seconds
@settings(max_examples=30, deadline=None)
@given(logs())
def test_widths_slopes_and_facts_are_possible(log: pl.DataFrame) -> None:
    delays = machine_delays(log.sort("time")) if log.height else DEFAULT_DELAYS
    marked = mark_work(log, delays)
    width = marked["effective_width_m"].drop_nulls()
    assert not width.is_nan().any()
    if width.len():
        assert width.min() >= -1e-9
        assert width.max() <= log["working_width_m"].max() + 1e-9
    slope = marked["side_slope_pct"].drop_nulls()
    assert slope.is_finite().all()
    facts = work_facts(marked, delays)
    assert 0 <= facts.left_out_pct <= 100 + 1e-9
    assert all(isinstance(sentence, str) and "nan" not in sentence for sentence in facts.sentences())
