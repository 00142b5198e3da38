"""Row rules: each with a row that passes, one that fails and one where the value is missing."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from typing import Any

import polars as pl
import pytest
from chaffinch.pipelines.errors import DeclarationError
from chaffinch.pipelines.parsed import Parsed
from chaffinch.pipelines.validate import apply_rules
from chaffinch.schemas.declarations import parse
from chaffinch.schemas.declared_checks import RowRule, declared_row_rules

NOON = datetime(2026, 7, 20, 12, tzinfo=UTC)

SECOND = timedelta(seconds=1)


def readings(rows: int = 3, **columns: list[Any]) -> Parsed:
    """A log of ``rows`` good readings, one a second, in file rows 2, 3, ...; ``columns`` add or replace."""
    frame = pl.DataFrame(
        {
            "row": range(2, rows + 2),
            "time": [NOON + timedelta(seconds=i) for i in range(rows)],
            "machine": ["Combine A"] * rows,
            "speed_m_s": [1.5] * rows,
        }
        | columns,
        strict=False,
    )
    return Parsed("harvest log", readings=frame, rows_read=rows)


def failing(parsed: Parsed) -> list[tuple[int, str, str | None]]:
    """(row, rule, column) of each row that is set aside."""
    aside = apply_rules(parsed).set_aside
    return [] if aside is None else aside.select("row", "rule", "column").rows()


def test_a_good_log_passes_whole() -> None:
    parsed = apply_rules(readings())
    assert parsed.readings is not None and parsed.readings.height == 3
    assert parsed.set_aside is None or parsed.set_aside.height == 0


@pytest.mark.parametrize(
    ("column", "good", "bad"),
    [
        ("latitude", 52.0, 91.0),
        ("longitude", -180.0, -180.1),
        ("speed_m_s", 0.0, -0.1),
        ("speed_m_s", 20.0, 21.0),
        ("grain_flow_kg_s", 0.0, -1.0),
        ("grain_moisture_pct", 14.5, 101.0),
        ("separation_loss_signal", 0.0, -1.0),
        ("broken_grain_pct", 100.0, 100.5),
        ("roll_deg", -59.0, 90.0),
        ("engine_load_pct", 110.0, float("inf")),
        ("cleaning_loss_signal", 5.0, float("-inf")),
    ],
)
def test_channels_outside_what_is_possible(column: str, good: float, bad: float) -> None:
    assert failing(readings(**{column: [good, bad, None]})) == [(3, "outside_range", column)]


def test_a_working_flag_that_is_neither_0_nor_1() -> None:
    assert failing(readings(working=[0, 1, 2])) == [(4, "outside_range", "working")]


def test_no_number_counts_as_missing() -> None:
    parsed = apply_rules(readings(speed_m_s=[1.0, float("nan"), 2.0]))
    assert parsed.readings is not None
    assert parsed.readings["speed_m_s"].to_list() == [1.0, None, 2.0]
    assert failing(readings(speed_m_s=[1.0, float("nan"), 2.0])) == []


def test_a_receiver_without_a_position() -> None:
    on_the_equator = readings(4, latitude=[0.0, 0.0, None, 52.0], longitude=[10.0, 0.0, 0.0, None])
    assert failing(on_the_equator) == [(3, "zero_position", "latitude")]


def test_moments() -> None:
    years = [datetime(1989, 12, 31, tzinfo=UTC), datetime(1990, 1, 1, tzinfo=UTC), None]
    assert failing(readings(time=years)) == [(2, "bad_time", "time"), (4, "bad_time", "time")]


def test_every_row_needs_a_machine() -> None:
    assert failing(readings(machine=["Combine A", " ", None])) == [
        (3, "no_machine", "machine"),
        (4, "no_machine", "machine"),
    ]


def test_a_whole_column_that_is_required_and_absent() -> None:
    parsed = readings()
    assert parsed.readings is not None
    lacking = Parsed("harvest log", readings=parsed.readings.drop("machine"), rows_read=3)
    assert [rule for _, rule, _ in failing(lacking)] == ["no_machine"] * 3


def test_the_later_of_two_equal_rows_goes() -> None:
    same = readings(
        4, time=[NOON, NOON, NOON, NOON + timedelta(seconds=1)], grain_flow_kg_s=[None, None, 2.0, None]
    )
    assert failing(same) == [(3, "repeated_row", None)], "row 4 shares the moment and tells something else"


@pytest.mark.parametrize("order", [(0, 1, 2, 3, 4), (0, 2, 4, 1, 3), (4, 3, 2, 1, 0)])
def test_repeated_rows_are_found_however_machines_lie_in_a_file(order: tuple[int, ...]) -> None:
    """Row by row: A at noon, B at noon, A a second later, B a second later, A at noon again."""
    moments, machines = [NOON, NOON, NOON + SECOND, NOON + SECOND, NOON], ["A", "B", "A", "B", "A"]
    given = [(moments[k], machines[k]) for k in order]
    whole = readings(5, time=[time for time, _ in given], machine=[machine for _, machine in given])
    later = max(order.index(0), order.index(4))
    assert failing(whole) == [(later + 2, "repeated_row", None)]


def test_a_row_that_fails_twice_is_listed_twice_and_counts_once() -> None:
    parsed = apply_rules(
        readings(latitude=[0.0, 52.0, 52.0], longitude=[0.0, 9.0, 9.0], speed_m_s=[-1, 1, 1])
    )
    assert parsed.set_aside is not None and parsed.readings is not None
    assert parsed.set_aside.select("row", "rule").rows() == [(2, "outside_range"), (2, "zero_position")]
    assert parsed.set_aside["row_kept"].to_list() == [True, True]
    assert (parsed.rows_set_aside, parsed.rows_with_values_set_aside) == (0, 1)
    assert parsed.readings.row(0, named=True) == {
        "row": 2, "time": NOON, "machine": "Combine A", "speed_m_s": None, "latitude": None, "longitude": None
    }  # fmt: skip


def test_what_is_listed_of_a_row() -> None:
    aside = apply_rules(readings(grain_moisture_pct=[14.0, 103.25, 15.0], field=["Mill Field"] * 3)).set_aside
    assert aside is not None
    row = aside.row(0, named=True)
    assert (row["row"], row["column"], row["value"]) == (3, "grain_moisture_pct", "103.25")
    assert "103.25" in row["sentence"] and "0 to 60 %" in row["sentence"]
    content = json.loads(row["content"])
    assert content["grain_moisture_pct"] == "103.25" and content["field"] == "Mill Field"
    assert content["time"].startswith("2026-07-20 12:00:01")


def test_rows_that_reading_set_aside_stay_in_front() -> None:
    earlier = pl.DataFrame(
        {
            "row": [9],
            "rule": ["not_a_number"],
            "column": ["speed_m_s"],
            "value": ["x"],
            "sentence": ["A number is needed here."],
            "content": ["{}"],
            "row_kept": [False],
        }
    )
    parsed = readings(speed_m_s=[1.0, -5.0, 1.0])
    whole = apply_rules(Parsed("harvest log", readings=parsed.readings, set_aside=earlier, rows_read=4))
    assert whole.set_aside is not None
    assert whole.set_aside.select("row", "rule").rows() == [(3, "outside_range"), (9, "not_a_number")]


def adjustments(**columns: list[Any]) -> Parsed:
    rows = max((len(values) for values in columns.values()), default=2)
    frame = pl.DataFrame(
        {
            "row": range(2, rows + 2),
            "time": [NOON + timedelta(minutes=i) for i in range(rows)],
            "machine": ["Combine A"] * rows,
            "setting": ["fan_speed"] * rows,
            "to_value": ["900"] * rows,
            "unit": ["rpm"] * rows,
            "kind": ["number"] * rows,
            "origin": ["settings log"] * rows,
        }
        | columns
    )
    return Parsed("settings log", adjustments=frame, rows_read=rows)


def test_settings_outside_what_they_can_take() -> None:
    # fan_speed is declared from 100 to 2200 rpm; a service has no value; words are no business of this rule.
    assert failing(
        adjustments(
            setting=["fan_speed", "fan_speed", "sieves_cleaned", "chopper_speed", "anything_else"],
            to_value=["2200", "9000", None, "high", "9000000"],
        )
    ) == [(3, "setting_outside_range", "to_value")]


def test_an_adjustment_needs_its_setting() -> None:
    assert failing(adjustments(setting=["fan_speed", None])) == [(3, "no_setting", "setting")]


def test_loss_checks() -> None:
    frame = pl.DataFrame(
        {
            "row": range(2, 8),
            "time": [NOON + timedelta(minutes=i) for i in range(6)],
            "machine": ["Combine A"] * 6,
            "machine_loss_kg_ha": [35.0, -1.0, None, None, None, None],
            "kernels": [None, None, 0.0, -3.0, 40.0, 40.0],
            "frame_area_m2": [None, None, 0.25, 0.25, 0.0, None],
        }
    )
    assert failing(Parsed("loss checks", loss_checks=frame, rows_read=6)) == [
        (3, "negative_loss", "machine_loss_kg_ha"),
        (5, "impossible_count", "kernels"),
        (6, "impossible_measure", "frame_area_m2"),
    ]


def test_every_rule_says_what_a_missing_value_means() -> None:
    assert {rule.null for rule in declared_row_rules().values()} <= {"passes", "fails"}
    with pytest.raises(DeclarationError, match=r"\[unsure\] null"):
        parse('[unsure]\ntables=["readings"]\ncheck="repeated"\nsentence="x"', "schemas/rules.toml", RowRule)


def test_a_rule_that_asks_for_nothing_is_refused() -> None:
    text = '[bad]\ntables=["readings"]\ncheck="range"\nnull="passes"\ncolumns=["speed_m_s"]\nsentence="x"'
    with pytest.raises(DeclarationError, match="has a limit"):
        parse(text, "schemas/rules.toml", RowRule)


def test_a_million_rows_are_judged_in_seconds() -> None:
    import time

    rows = 1_000_000
    start = pl.datetime_range(
        NOON, NOON + timedelta(seconds=rows - 1), "1s", time_unit="us", time_zone="UTC", eager=True
    )
    frame = pl.DataFrame({"row": range(2, rows + 2), "time": start}).with_columns(
        machine=pl.lit("Combine A"), speed_m_s=pl.lit(1.5), grain_flow_kg_s=pl.lit(5.0)
    )
    began = time.perf_counter()
    assert failing(Parsed("harvest log", readings=frame, rows_read=rows)) == []
    assert time.perf_counter() - began < 5


def test_of_two_impossible_values_of_one_row_each_is_listed() -> None:
    parsed = apply_rules(readings(speed_m_s=[1.0, 99.0, 1.0], grain_flow_kg_s=[5.0, 90.0, 6.0]))
    assert parsed.readings is not None and parsed.set_aside is not None
    assert parsed.readings["grain_flow_kg_s"].to_list() == [5.0, None, 6.0]
    assert parsed.set_aside.select("row", "column", "value", "row_kept").rows() == [
        (3, "speed_m_s", "99.0", True),
        (3, "grain_flow_kg_s", "90.0", True),
    ]


def test_a_value_of_a_row_that_leaves_whole_is_of_no_row_that_was_kept() -> None:
    parsed = apply_rules(readings(machine=["Combine A", " ", "Combine A"], speed_m_s=[1.0, 99.0, 1.0]))
    assert parsed.readings is not None and parsed.set_aside is not None
    assert parsed.readings["row"].to_list() == [2, 4]
    assert parsed.set_aside["row_kept"].to_list() == [False, False]
    assert (parsed.rows_set_aside, parsed.rows_with_values_set_aside) == (1, 0)


def test_an_adjustment_set_aside_leaves_the_reading_that_it_was_seen_in() -> None:
    changes = adjustments(to_value=["950", "99999"]).adjustments
    parsed = readings()
    whole = apply_rules(Parsed("harvest log", readings=parsed.readings, adjustments=changes, rows_read=3))
    assert whole.readings is not None and whole.adjustments is not None and whole.set_aside is not None
    assert (whole.readings.height, whole.adjustments.height) == (3, 1)
    assert whole.set_aside.select("row", "rule", "row_kept").rows() == [(3, "setting_outside_range", True)]
    assert whole.rows_set_aside == 0
