"""The queries of ``sql`` on tables small enough to work out the answer by hand."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import polars as pl
import pytest
from builders.memory_lake import MemoryLake
from chaffinch.pipelines.lake.queries import LakeQueries
from chaffinch.schemas.declarations import settings
from chaffinch.schemas.tables import tables
from chaffinch.sql import VIEWS, load

START = datetime(2026, 7, 20, 10, tzinfo=UTC)


def work(job: str, values: dict[str, list], **more: object) -> pl.DataFrame:
    """Rows ten seconds apart; everything that is not given is steady work of machine A in field F."""
    length = len(next(iter(values.values())))
    usual = {"machine": "A", "field": "F", "crop": "wheat", "usable": 1, "feed_rate_t_h": 30.0}
    return pl.DataFrame(
        {
            "job": job,
            "time": [START + timedelta(seconds=10 * k) for k in range(length)],
            **{name: [more.get(name, value)] * length for name, value in usual.items()},
            **values,
        }
    )


def ask(sql: str, **frames: pl.DataFrame) -> list[tuple]:
    with LakeQueries(MemoryLake(**frames)) as lake:
        return lake.query(sql).rows()


@pytest.mark.parametrize("name", VIEWS)
def test_the_first_line_says_what_one_row_is_and_an_empty_lake_has_none(name):
    assert load(name).startswith("-- One row per ")
    assert ask(f"select count(*) from {name}") == [(0,)]


def test_settings_in_use_counts_steady_work_at_each_value():
    """Six readings ten seconds apart are a minute; the fourth is not steady. Fan speed is 1000 for three of the five
    others (30 s) and 1050 for two (20 s); the chopper is known for the last two alone (20 s)."""
    rows = work(
        "j1",
        {
            "usable": [1, 1, 1, 0, 1, 1],
            "fan_speed_rpm": [1000.0, 1000.0, 1000.0, 1000.0, 1050.5, 1050.5],
            "chopper_speed": [None, None, None, None, "high", "high"],
        },
    )
    found = ask(
        "select setting, value, unit, hours * 3600, "
        "(epoch(first_time) - epoch(timestamptz '2026-07-20 10:00Z'))::int "
        "from settings_in_use order by setting, value",
        work=rows,
    )
    assert [(s, v, u, round(h, 6), t) for s, v, u, h, t in found] == [
        ("chopper_speed", "high", None, 20.0, 40),
        ("fan_speed", "1000", "rpm", 30.0, 0),
        ("fan_speed", "1050.5", "rpm", 20.0, 40),
    ]


def test_a_measured_speed_that_wanders_is_not_a_set_value():
    wandering = work("j1", {"fan_speed_rpm": [1000.0 + k for k in range(13)], "chopper_speed": ["low"] * 13})
    assert ask("select distinct setting from settings_in_use", work=wandering) == [("chopper_speed",)]


def test_jobs_are_counted_apart():
    rows = pl.concat([work("j1", {"chopper_speed": ["low"] * 3}), work("j2", {"chopper_speed": ["low"] * 2})])
    found = ask("select job, round(hours * 3600) from settings_in_use order by job", work=rows)
    assert found == [("j1", 30.0), ("j2", 20.0)]


def test_loss_by_setting_and_moisture_is_relative_to_the_same_fields():
    """Loss over feed of the whole job: (2 + 4 + 6 + 0) / (4 × 30) = 0.1.

    Chopper low: moisture 13.9 and 13.0 %, (2 + 4) / 60 = 0.1, ratio 1. High: 14.0 and 15.9 % share the next band,
    (6 + 0) / 60 = 0.1, ratio 1. The unusable reading and the one without moisture count nowhere.
    """
    rows = work(
        "j1",
        {
            "usable": [1, 1, 1, 1, 0, 1],
            "separation_loss_aligned": [2.0, 3.0, 5.0, 0.0, 99.0, 99.0],
            "cleaning_loss_aligned": [None, 1.0, 1.0, 0.0, 99.0, 99.0],
            "moisture_aligned_pct": [13.9, 13.0, 14.0, 15.9, 14.0, None],
            "chopper_speed": ["low", "low", "high", "high", "high", "high"],
        },
    )
    found = ask(
        "select value, moisture_from_pct, moisture_to_pct, field_jobs, hours * 3600, feed_rate_t_h, loss_ratio "
        "from loss_by_setting_and_moisture order by value",
        work=rows,
    )
    assert [tuple(round(v, 9) if isinstance(v, float) else v for v in row) for row in found] == [
        ("high", 14.0, 16.0, 1, 20.0, 30.0, 1.0),
        ("low", 12.0, 14.0, 1, 20.0, 30.0, 1.0),
    ]


def test_a_field_with_much_loss_does_not_make_a_setting_look_bad():
    """Job 2 loses ten times as much at the same settings: the ratio stays that within each job.

    Job 1 loses 1 at low and 3 at high of 30 t/h each, on average 2: ratios 0.5 and 1.5. Job 2 ten times that.
    """
    jobs = [
        work(
            job,
            {
                "separation_loss_aligned": [1.0 * times, 3.0 * times],
                "moisture_aligned_pct": [15.0, 15.0],
                "chopper_speed": ["low", "high"],
            },
        )
        for job, times in (("j1", 1), ("j2", 10))
    ]
    found = ask(
        "select value, field_jobs, round(loss_ratio, 9) from loss_by_setting_and_moisture order by value",
        work=pl.concat(jobs),
    )
    assert found == [("high", 2, 1.5), ("low", 2, 0.5)]


def effects(*rows: tuple[str | None, int, str, str | None, str, str]) -> pl.DataFrame:
    """(field, minute, setting, joint_id, outcome, verdict) of adjustments of machine A."""
    return pl.DataFrame(
        [
            {
                "scope": "adjustment",
                "machine": "A",
                "field": field,
                "time": START + timedelta(minutes=minute),
                "setting": setting,
                "joint_id": joint,
                "outcome": outcome,
                "verdict": verdict,
            }
            for field, minute, setting, joint, outcome, verdict in rows
        ],
        schema_overrides={"field": pl.String(), "joint_id": pl.String()},
    )


def jobs_of(*rows: tuple[str | None, str | None, str, int]) -> pl.DataFrame:
    """(field, day, crop, readings) of machine A."""
    return pl.DataFrame(
        [
            {
                "machine": "A",
                "field": field,
                "day": day,
                "crop": crop,
                "readings": n,
                "first_time": START,
                "last_time": START + timedelta(hours=1),
            }
            for field, day, crop, n in rows
        ],
        schema_overrides={"field": pl.String(), "day": pl.String()},
    )


OVERVIEW = (
    "select field, day::varchar, crop, readings, changes, less, more, no_clear_change, cannot_tell "
    "from season_overview"
)


def test_a_joint_change_counts_once_in_the_overview():
    found = effects(
        ("F", 0, "fan_speed", None, "separation_loss", "less"),
        ("F", 0, "fan_speed", None, "cleaning_loss", "no clear change"),
        ("F", 0, "fan_speed", None, "throughput", "more"),
        ("F", 9, "fan_speed", "x", "separation_loss", "cannot tell"),
        ("F", 10, "rotor_speed", "x", "separation_loss", "cannot tell"),
    )
    jobs = jobs_of(("F", None, "wheat", 100), ("F", None, "barley", 50), ("G", None, "rye", 7))
    assert ask(f"{OVERVIEW} order by field", effects=found, field_jobs=jobs) == [
        ("F", None, "wheat", 150, 2, 1, 0, 1, 1),
        ("G", None, "rye", 7, 0, 0, 0, 0, 0),
    ]


def test_without_a_field_each_day_has_its_own_row():
    found = effects((None, 0, "fan_speed", None, "separation_loss", "more"))
    jobs = jobs_of((None, "2026-07-20", "wheat", 10), (None, "2026-07-21", "wheat", 20))
    assert ask(f"{OVERVIEW} order by day", effects=found, field_jobs=jobs) == [
        (None, "2026-07-20", "wheat", 10, 1, 0, 1, 0, 0),
        (None, "2026-07-21", "wheat", 20, 0, 0, 0, 0, 0),
    ]


def test_the_queries_name_every_column_of_work_that_is_not_a_setting():
    """A column added to ``work`` must be left out there too, or readings are no longer counted together."""
    held = {s.column for s in settings().values()}
    measured = {column.name for column in tables()["work"].columns if column.name not in held}
    for name in ("settings_in_use", "loss_by_setting_and_moisture"):
        text = load(name)
        assert not {column for column in measured if column not in text}
