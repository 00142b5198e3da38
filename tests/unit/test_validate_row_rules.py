"""Row rules: which rows are set aside and with what; limits as declared in channels.toml and rules.toml.

The values are common practice, no source, except 0/0 (WGS 84: the point lies in the Gulf of Guinea).
"""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta

import polars as pl
import pytest
from chaffinch.pipelines.errors import DeclarationError
from chaffinch.pipelines.parsed import Parsed
from chaffinch.pipelines.validate import apply_rules
from chaffinch.schemas.declarations import parse, reasons
from chaffinch.schemas.rules import RowRule, row_rules

START = datetime(2026, 7, 20, 8, tzinfo=UTC)


def readings(**columns: list) -> pl.DataFrame:
    """Four readings, a second apart, with the given columns instead."""
    plain = {
        "row": [2, 3, 4, 5],
        "time": [START + timedelta(seconds=i) for i in range(4)],
        "machine": ["Combine A"] * 4,
        "field": ["Mill Field"] * 4,
        "latitude": [52.0] * 4,
        "longitude": [-1.0] * 4,
        "speed_m_s": [1.5, 1.6, 1.7, 1.8],
    }
    return pl.DataFrame(plain | columns, strict=False)


def aside(frame: pl.DataFrame, table: str = "readings") -> list[dict]:
    judged = apply_rules(Parsed("harvest log", **{table: frame}, rows_read=frame.height))
    kept, set_aside = getattr(judged, table), judged.set_aside
    gone = set_aside["row"].to_list() if set_aside is not None else []
    assert sorted({*kept["row"], *gone}) == sorted(frame["row"])
    assert not set(kept["row"]) & set(gone)
    return set_aside.to_dicts() if set_aside is not None else []


def test_plain_rows_pass() -> None:
    assert aside(readings()) == []


@pytest.mark.parametrize("speed_m_s", [-0.1, 20.1, float("inf"), float("-inf")])
def test_a_speed_that_no_machine_drives(speed_m_s: float) -> None:
    (row,) = aside(readings(speed_m_s=[1.5, speed_m_s, 1.7, 1.8]))
    assert (row["row"], row["rule"], row["column"]) == (3, "outside_range", "speed_m_s")
    assert row["value"] == str(speed_m_s)
    assert "outside 0 to 20 m/s" in row["sentence"]


@pytest.mark.parametrize("speed_m_s", [0.0, 20.0, None, float("nan")])
def test_limits_belong_to_the_range_and_missing_is_no_fault(speed_m_s: float | None) -> None:
    frame = readings(speed_m_s=[1.5, speed_m_s, 1.7, 1.8])
    assert aside(frame) == []


def test_nan_becomes_missing() -> None:
    judged = apply_rules(Parsed("harvest log", readings=readings(speed_m_s=[float("nan")] * 4), rows_read=4))
    assert judged.readings["speed_m_s"].null_count() == 4


def test_a_receiver_without_a_position() -> None:
    rows = aside(readings(latitude=[0.0, 0.0, None, 52.0], longitude=[0.0, -1.0, 0.0, -1.0]))
    assert [(r["row"], r["rule"]) for r in rows] == [(2, "zero_position")]


@pytest.mark.parametrize("column", ["time", "machine"])
def test_what_is_required_may_not_be_empty(column: str) -> None:
    frame = readings()
    frame = frame.with_columns(pl.when(pl.col("row") == 4).then(None).otherwise(pl.col(column)).alias(column))
    (row,) = aside(frame)
    assert row["row"] == 4
    assert row["rule"] == {"time": "bad_time", "machine": "no_machine"}[column]


def test_a_required_column_that_is_not_there_at_all() -> None:
    rows = aside(readings().drop("machine"))
    assert [r["rule"] for r in rows] == ["no_machine"] * 4


def test_a_time_before_satellites() -> None:
    times = [datetime(1980, 1, 6, tzinfo=UTC), *(START + timedelta(seconds=i) for i in range(3))]
    (row,) = aside(readings(time=times))
    assert (row["row"], row["rule"]) == (2, "bad_time")


def test_the_later_of_two_equal_rows_is_set_aside() -> None:
    frame = readings()
    again = frame.filter(pl.col("row") == 3).with_columns(row=pl.lit(6, pl.Int64))
    other = again.with_columns(row=pl.lit(7, pl.Int64), speed_m_s=pl.lit(9.0))
    rows = aside(pl.concat([frame, again, other]))
    assert [(r["row"], r["rule"]) for r in rows] == [(6, "repeated_row")]


def test_the_whole_row_is_kept_as_json_of_texts() -> None:
    (row,) = aside(readings(speed_m_s=[1.5, 99.0, 1.7, 1.8]))
    content = json.loads(row["content"])
    assert content["speed_m_s"] == "99.0"
    assert content["field"] == "Mill Field"


def test_a_row_that_fails_twice_is_there_under_both_rules() -> None:
    rows = aside(
        readings(speed_m_s=[-1.0, 1.6, 1.7, 1.8], latitude=[0.0] * 4, longitude=[0.0, 1.0, 1.0, 1.0])
    )
    assert {(r["row"], r["rule"]) for r in rows} == {(2, "outside_range"), (2, "zero_position")}


def test_rows_set_aside_while_reading_stay() -> None:
    earlier = pl.DataFrame(
        {
            "row": [9],
            "rule": ["not_text"],
            "column": [None],
            "value": ["?"],
            "sentence": ["Zero bytes."],
            "content": ["{}"],
        },
        schema_overrides={"column": pl.String},
    )
    judged = apply_rules(
        Parsed("harvest log", readings=readings(speed_m_s=[-1.0, 1, 1, 1]), set_aside=earlier, rows_read=5)
    )
    assert judged.set_aside["row"].to_list() == [2, 9]


def adjustments(to_value: list[str | None]) -> pl.DataFrame:
    n = len(to_value)
    return pl.DataFrame(
        {
            "row": range(2, n + 2),
            "time": [START + timedelta(minutes=i) for i in range(n)],
            "machine": ["Combine A"] * n,
            "setting": ["fan_speed"] * n,
            "to_value": to_value,
            "kind": ["number"] * n,
            "origin": ["settings log"] * n,
        },
        schema_overrides={"to_value": pl.String},
    )


def test_a_fan_that_no_shaft_would_stand() -> None:
    rows = aside(adjustments(["900", "90000", None]), "adjustments")
    assert [(r["row"], r["rule"], r["value"]) for r in rows] == [(3, "setting_outside_range", "90000")]


def test_loss_checks_can_not_be_negative() -> None:
    checks = pl.DataFrame(
        {
            "row": [2, 3, 4, 5],
            "time": [START + timedelta(minutes=i) for i in range(4)],
            "machine": ["Combine A"] * 4,
            "kernels": [12.0, -1.0, 0.0, 8.0],
            "frame_area_m2": [0.1, 0.1, 0.1, 0.0],
            "machine_loss_kg_ha": [None, None, 0.0, None],
        }
    )
    rows = aside(checks, "loss_checks")
    assert [(r["row"], r["rule"]) for r in rows] == [(3, "impossible_count"), (5, "impossible_measure")]


def test_every_rule_has_its_reason() -> None:
    assert set(row_rules()) <= {name for name, reason in reasons().items() if reason.about == "row"}


def test_a_rule_that_says_nothing_about_empty_values_is_refused() -> None:
    text = '[odd]\ntables = ["readings"]\ncheck = "repeated"\nsentence = "?"'
    with pytest.raises(DeclarationError, match=r"rules\.toml: \[odd\] null"):
        parse(text, "rules.toml", RowRule)
