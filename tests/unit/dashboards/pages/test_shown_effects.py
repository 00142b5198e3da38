"""Rows of effects that the page of a field does not need change nothing on it."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import polars as pl
from chaffinch.dashboards.pages.field_jobs import shown_effects
from chaffinch.dashboards.words.settings_now import lines_of
from chaffinch.dashboards.words.shown_changes import changes_of
from chaffinch.dashboards.words.trial_changes import trials_as_one
from chaffinch.schemas.tables import tables
from hypothesis import given
from hypothesis import strategies as st

BEGAN = datetime(2026, 7, 20, 8, tzinfo=UTC)
SETTINGS = ("fan_speed", "rotor_speed", "concave_clearance")

# A change: setting, minute, whether it has an effect, by how many minutes its logged row is off, part of a trial.
changes = st.lists(
    st.tuples(
        st.sampled_from(SETTINGS),
        st.integers(0, 12).map(lambda n: 0.75 * n),
        st.booleans(),
        st.sampled_from([0.0, 1.9, 2.1]),
        st.sampled_from([None, None, "Trial 1"]),
    ),
    min_size=1,
    max_size=6,
)


def effect(setting: str, scope: str, time: datetime | None, trial: str | None, at: float) -> dict:
    return {
        "scope": scope, "machine": "A", "field": "Mill Field", "crop": "wheat", "time": time, "setting": setting,
        "from_value": "10" if time or trial else None, "to_value": "20" if time or trial else None,
        "per_step": None if time or trial else 10.0, "outcome": "cleaning_loss", "verdict": "less",
        "log_ratio": at, "log_ratio_low": at - 0.1, "log_ratio_high": at + 0.1, "percent": 1.0,
        "percent_low": 0.5, "percent_high": 2.0, "chance_less": 0.99, "trial": trial,
    }  # fmt: skip


@given(changes)
def test_the_lines_of_a_field_are_the_same_with_the_rows_it_shows(made):
    effects, logged = [], []
    for k, (setting, minute, estimated, off, trial) in enumerate(made):
        time = BEGAN + timedelta(minutes=minute)
        row = {"machine": "A", "setting": setting, "from_value": "10", "to_value": "20", "row": k}
        logged.append(row | {"time": time + timedelta(minutes=off)})
        if estimated:
            effects.append(effect(setting, "adjustment", time, trial, -0.1 * k))
    for setting in sorted({one[0] for one in made}):
        effects.append(effect(setting, "field", None, None, -0.3))
        if any(one[0] == setting and one[4] for one in made):
            effects.append(effect(setting, "field", None, "Trial 1", -0.4))
    whole = tables()["effects"].conform(pl.DataFrame(effects, infer_schema_length=None))
    adjustments = tables()["adjustments"].conform(pl.DataFrame(logged, infer_schema_length=None))
    shown = shown_effects(whole, adjustments)

    def said(rows: pl.DataFrame):
        found = changes_of(rows, adjustments)
        pooled = rows.filter(pl.col("scope") == "field")
        return lines_of(found, pooled, None), trials_as_one(found, pooled, None)

    assert said(shown) == said(whole)


def test_the_row_about_a_setting_moved_once_is_left_out():
    time = BEGAN + timedelta(hours=1)
    rows = [
        effect(SETTINGS[0], "adjustment", time, None, -0.1),
        effect(SETTINGS[0], "field", None, None, -0.1),
    ]
    rows += [effect(SETTINGS[1], "adjustment", time + timedelta(hours=k), None, -0.1) for k in range(2)]
    rows += [effect(SETTINGS[1], "field", None, None, -0.1)]
    whole = tables()["effects"].conform(pl.DataFrame(rows, infer_schema_length=None))
    shown = shown_effects(whole, tables()["adjustments"].empty())
    assert shown.filter(pl.col("scope") == "field")["setting"].to_list() == [SETTINGS[1]]
    assert shown.height == whole.height - 1
