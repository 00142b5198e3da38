"""How exactly the time of a logged change is known, from the log itself and from farm.toml."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest
from chaffinch.pipelines.estimate.data.change_times import with_time_windows
from chaffinch.pipelines.estimate.data.changes import group_changes, real_adjustments
from chaffinch.pipelines.farm import parse_farm

START = datetime(2026, 7, 20, 10, tzinfo=UTC)


def log(*seconds: float, origin: str = "settings log", file: str = "notes.csv") -> pl.DataFrame:
    return pl.DataFrame(
        {
            "row": list(range(len(seconds))),
            "file": [file] * len(seconds),
            "time": [START + timedelta(seconds=s) for s in seconds],
            "machine": ["A"] * len(seconds),
            "setting": ["fan_speed"] * len(seconds),
            "from_value": [str(800 + 50 * k) for k in range(len(seconds))],
            "to_value": [str(850 + 50 * k) for k in range(len(seconds))],
            "unit": ["rpm"] * len(seconds),
            "kind": ["number"] * len(seconds),
            "origin": [origin] * len(seconds),
        },
        schema_overrides={"time": pl.Datetime("us", "UTC")},
    )


def windows(frame: pl.DataFrame) -> set[tuple[float, float]]:
    return set(frame.select("earlier_s", "later_s").iter_rows())


@pytest.mark.parametrize(
    ("seconds", "window"),
    [
        ((17, 2003, 4411), (0.0, 0.0)),
        ((60, 2040, 4320), (30.0, 60.0)),
        ((300, 1800, 3300, 6600), (150.0 + 420.0, 300.0)),
        (tuple(600 * k for k in range(1, 9)), (300.0 + 420.0, 600.0)),
        # Too few rows to tell five minutes from one, or one from seconds.
        ((300, 1800, 3300), (30.0, 60.0)),
        ((300,), (0.0, 0.0)),
    ],
)
def test_times_on_a_grid_are_known_to_the_grid(seconds, window):
    assert windows(with_time_windows(log(*seconds))) == {window}


def test_one_time_between_shows_that_there_is_no_grid():
    assert windows(with_time_windows(log(300, 1800, 3300, 6601))) == {(0.0, 0.0)}


def test_values_of_a_harvest_log_are_exact_and_do_not_hide_the_grid_of_a_settings_log():
    both = pl.concat([log(300, 1800, 3300, 6600), log(17, origin="setting column")])
    found = with_time_windows(both)
    assert windows(found.filter(pl.col("origin") == "setting column")) == {(0.0, 0.0)}
    assert windows(found.filter(pl.col("origin") == "settings log")) == {(570.0, 300.0)}


def test_the_farm_states_how_a_log_was_written():
    farm = parse_farm(
        '[settings_logs."notes*"]\nwritten = "by hand"\nlate_minutes = 4\n'
        '[settings_logs."box.csv"]\nwritten = "at once"\ntakes_minutes = 8\n'
    )
    by_hand = real_adjustments(log(17, 2003), farm.settings_log_of)
    assert windows(by_hand) == {(240.0, 0.0)}
    # A log written at once keeps only the grid of its times.
    at_once = real_adjustments(log(300, 1800, 3300, 6600, file="box.csv"), farm.settings_log_of)
    assert windows(at_once) == {(150.0, 300.0 + 480.0)}


def test_a_change_spans_the_time_in_which_it_may_have_been_made():
    work_s = START.timestamp() + np.arange(0.0, 9000.0)
    changes = group_changes(real_adjustments(log(600, 3000, 5400, 7800)), work_s)
    assert [(c.first_s - START.timestamp(), c.last_s - START.timestamp()) for c in changes] == [
        (s - 570.0, s + 300.0) for s in (600, 3000, 5400, 7800)
    ]
    assert {c.time_uncertain_s for c in changes} == {870.0}
    assert not any(c.by_settings_log for c in changes), "each row has a delay of its own"


def test_changes_whose_times_may_overlap_are_one_joint_change():
    work_s = START.timestamp() + np.arange(0.0, 9000.0)
    changes = group_changes(real_adjustments(log(600, 1200, 5400, 7800)), work_s)
    assert [c.rows.height for c in changes] == [2, 1, 1]
