"""Whatever the numbers: each row is kept or set aside, never both or neither; what is kept is sound."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import polars as pl
import pytest
from chaffinch.pipelines.parsed import Parsed, rows_aside
from chaffinch.pipelines.validate import apply_rules
from chaffinch.schemas.declarations import channels
from hypothesis import given, settings
from hypothesis import strategies as st

JUDGED = ("latitude", "longitude", "speed_m_s", "grain_moisture_pct", "cleaning_loss_signal", "roll_deg")
Values = (
    st.none() | st.floats(allow_nan=True, allow_infinity=True) | st.sampled_from([0.0, -0.0, 14.0, -1e-9])
)
Moments = (
    st.none() | st.datetimes(datetime(1970, 1, 1), datetime(2200, 1, 1)) | st.just(datetime(2026, 7, 20))
)
Row = st.tuples(Moments, st.sampled_from(["Combine A", "", None]), *[Values] * len(JUDGED))


def log(rows: list[tuple[object, ...]]) -> Parsed:
    schema = {
        "time": pl.Datetime("us"),
        "machine": pl.String(),
        **dict.fromkeys(JUDGED, pl.Float64()),
    }
    frame = pl.DataFrame(rows, schema=schema, orient="row").with_columns(
        pl.col("time").dt.replace_time_zone("UTC")
    )
    return Parsed("harvest log", readings=frame.with_row_index("row", 2), rows_read=len(rows))


@pytest.mark.seconds
@settings(deadline=None, derandomize=True, max_examples=60)
@given(st.lists(Row, min_size=1, max_size=12))
def test_each_row_is_kept_or_set_aside(rows: list[tuple[object, ...]]) -> None:
    parsed = apply_rules(log(rows))
    assert parsed.readings is not None
    kept = parsed.readings["row"].to_list()
    aside = [] if parsed.set_aside is None else rows_aside(parsed.set_aside).to_list()
    assert sorted({*kept, *aside}) == list(range(2, len(rows) + 2))
    assert not set(kept) & set(aside)
    assert kept == sorted(kept), "the order of the file stays"
    emptied = [] if parsed.set_aside is None else parsed.set_aside.filter(pl.col("row_kept"))
    for one in emptied.to_dicts() if isinstance(emptied, pl.DataFrame) else []:
        assert parsed.readings.filter(pl.col("row") == one["row"])[one["column"]].to_list() == [None]


@pytest.mark.seconds
@settings(deadline=None, derandomize=True, max_examples=60)
@given(st.lists(Row, min_size=1, max_size=12))
def test_what_is_kept_is_possible(rows: list[tuple[object, ...]]) -> None:
    readings = apply_rules(log(rows)).readings
    assert readings is not None
    for name in JUDGED:
        known = readings[name].drop_nulls().to_list()
        assert all(channels()[name].low <= value <= channels()[name].high for value in known)
    assert readings["time"].null_count() == 0 and all(1990 <= t.year < 2100 for t in readings["time"])
    assert all(readings["machine"].to_list())
    assert not any(
        (row["latitude"], row["longitude"]) == (0.0, 0.0) for row in readings.iter_rows(named=True)
    )


@pytest.mark.seconds
@settings(deadline=None, derandomize=True, max_examples=30)
@given(st.lists(Row, min_size=1, max_size=12))
def test_a_second_time_changes_nothing(rows: list[tuple[object, ...]]) -> None:
    once = apply_rules(log(rows))
    twice = apply_rules(once)
    assert once.readings is not None and twice.readings is not None
    assert once.readings.equals(twice.readings)
    assert (once.set_aside is None) == (twice.set_aside is None)
    if once.set_aside is not None and twice.set_aside is not None:
        assert once.set_aside.equals(twice.set_aside)


def test_a_real_row_is_kept() -> None:
    """Guards the tests above against passing because everything is set aside."""
    moment = datetime(2026, 7, 20, tzinfo=UTC).replace(tzinfo=None) + timedelta(hours=9)
    parsed = apply_rules(log([(moment, "Combine A", 52.0, 9.0, 1.5, 14.0, 3.0, -1.0)]))
    assert parsed.readings is not None and parsed.readings.height == 1
