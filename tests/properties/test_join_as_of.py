"""Readings joined to settings against a brute-force search through all earlier changes."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import polars as pl
import pytest
from chaffinch.pipelines.work.setting_state import readings_with_settings, setting_at, settings_in_force
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

START = datetime(2026, 7, 20, 10, tzinfo=UTC)
UTC_MOMENT = pl.Datetime("us", "UTC")
MACHINES, SETTINGS = ("A", "B"), ("fan_speed", "concave_clearance")

# Few distinct moments, so that ties are common.
moments = st.integers(0, 8)
words = st.sampled_from([None, "1", "2", "3"])
readings_rows = st.lists(st.tuples(st.sampled_from(MACHINES), moments), max_size=8)
changes_rows = st.lists(
    st.tuples(st.sampled_from(MACHINES), moments, st.sampled_from(SETTINGS), words, words), max_size=8
)


def moment(seconds: int) -> datetime:
    return START + timedelta(seconds=seconds)


def frames(readings: list, changes: list) -> tuple[pl.DataFrame, pl.DataFrame]:
    left = pl.DataFrame(
        [{"machine": m, "time": moment(t), "reading": i} for i, (m, t) in enumerate(readings)],
        schema={"machine": pl.String(), "time": UTC_MOMENT, "reading": pl.Int64()},
    )
    right = pl.DataFrame(
        [
            {
                "machine": m,
                "time": moment(t),
                "row": i,
                "setting": s,
                "from_value": before,
                "to_value": after,
            }
            for i, (m, t, s, before, after) in enumerate(changes)
        ],
        schema={
            "machine": pl.String(),
            "time": UTC_MOMENT,
            "row": pl.Int64(),
            "setting": pl.String(),
            "from_value": pl.String(),
            "to_value": pl.String(),
        },
    )
    return left, right


def state_by_search(changes: list, machine: str, time: int, setting: str) -> str | None:
    """The value of the last change up to and at ``time``; of several at one moment the later row; before the
    first change, what that one says it was before. A service, without a value, changes no state."""
    own = [
        (t, i, before, after)
        for i, (m, t, s, before, after) in enumerate(changes)
        if m == machine and s == setting and after is not None
    ]
    earlier = [c for c in own if c[0] <= time]
    if earlier:
        return max(earlier)[3]
    result = [c for c in own if c[2] is not None]
    return min(result)[2] if result else None


@pytest.mark.seconds
@hypothesis_settings(max_examples=40, deadline=None)
@given(readings_rows, changes_rows)
def test_against_a_search(readings, changes):
    joined = readings_with_settings(*frames(readings, changes))
    assert sorted(joined["reading"]) == list(range(len(readings)))
    for setting in SETTINGS:
        found = dict(zip(joined["reading"], setting_at(joined, setting), strict=True))
        for i, (machine, time) in enumerate(readings):
            assert found[i] == state_by_search(changes, machine, time, setting)


@pytest.mark.seconds
@hypothesis_settings(max_examples=40, deadline=None)
@given(readings_rows, changes_rows, st.lists(words, min_size=8, max_size=8))
def test_columns_of_settings_against_a_search(readings, changes, logged):
    """What the log itself carries stands."""
    left, right = frames(readings, changes)
    carried = [float(one) if one else None for one in logged[: left.height]]
    left = left.with_columns(pl.Series("fan_speed_rpm", carried, dtype=pl.Float64))
    found = settings_in_force(left, right)
    assert found.height == left.height or not found.columns
    for setting, column, own in (
        ("fan_speed", "fan_speed_rpm", carried),
        ("concave_clearance", "concave_clearance_mm", [None] * left.height),
    ):
        values = found[column].to_list() if column in found.columns else [None] * left.height
        for i, (machine, time) in enumerate(readings):
            by_search = state_by_search(changes, machine, time, setting)
            assert values[i] == (own[i] if own[i] is not None else by_search and float(by_search)), setting


@pytest.mark.seconds
@hypothesis_settings(max_examples=20, deadline=None)
@given(readings_rows, changes_rows)
def test_since_is_the_last_change_of_any_setting(readings, changes):
    joined = readings_with_settings(*frames(readings, changes))
    found = dict(zip(joined["reading"], joined["settings_since"], strict=True))
    for i, (machine, time) in enumerate(readings):
        earlier = [t for m, t, _, _, after in changes if m == machine and t <= time and after is not None]
        assert found[i] == (moment(max(earlier)) if earlier else None)
