"""The simulator's truth of fields, machines, the season and a field to come, against rows written by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from chaffinch.pipelines.prove.scopes import KG_HA, NEXT_FIELD, judge_scopes, steps_made, steps_of
from chaffinch.pipelines.simulate import SCENARIOS, simulate_season
from chaffinch.pipelines.simulate.scenario import Effects, Operator
from chaffinch.schemas.tables import tables

STATED = (("concave_clearance", "separation", 0.10), ("de_awning_plates", "cleaning", 0.20))
# Two changes in each of two fields: two steps of concave clearance up and one down; plates closed and opened.
SCRIPT = (
    ((30.0, (("concave_clearance", 2),)), (60.0, (("de_awning_plates", 1),))),
    ((30.0, (("concave_clearance", -1),)), (60.0, (("de_awning_plates", 1),))),
)
SPREADS = {"between_machines_sd": 0.2, "between_fields_sd": 0.3, "between_changes_sd": 0.1}


@pytest.fixture(scope="module")
def season():
    scenario = replace(
        SCENARIOS["plain"],
        fields=2,
        machines=2,
        hours=1.5,
        operator=Operator(script=SCRIPT),
        effects=Effects(stated=STATED, **SPREADS),
    )
    return simulate_season(scenario, 3)


@pytest.fixture(scope="module")
def steps(season) -> pl.DataFrame:
    outcomes = ("separation_loss", "cleaning_loss", "machine_loss")
    return pl.concat(steps_made(made, None, outcomes) for made in season.machine_fields)


def row_of(scope: str, setting: str, outcome: str, **result) -> dict:
    """A row of ``effects``; ranges on the log scale are -0.1 to 0.1 unless given."""
    numbers = {"log_ratio": 0.0, "log_ratio_low": -0.1, "log_ratio_high": 0.1}
    named = {"scope": scope, "setting": setting, "outcome": outcome, "crop": "wheat", "chance_less": 0.5}
    return {**named, **numbers, "verdict": "no clear change", **result}


def judged(season, steps, *rows: dict) -> pl.DataFrame:
    effects = pl.DataFrame(rows, schema=dict(tables()["effects"].polars_schema()))
    return pl.DataFrame(judge_scopes(season, steps, effects), infer_schema_length=None)


def test_each_scope_has_its_own_truth(season, steps):
    """Concave clearance is moved by 2 mm a step: stated for 1 mm, truths are half of a step's."""
    step = {"per_step": 1.0, "unit": "mm"}
    machine, field = steps["machine"][0], steps["field"][0]
    result = judged(
        season,
        steps,
        row_of("season", "concave_clearance", "separation_loss", **step),
        row_of("machine", "concave_clearance", "separation_loss", **step, machine=machine),
        row_of("field", "concave_clearance", "separation_loss", **step, machine=machine, field=field),
    )
    own = season.machine_field(0).noise.per_step["concave_clearance"]["separation"]
    on_machine = season.on_machines[0]["concave_clearance"]["separation"]
    assert len({0.10, on_machine, own}) == 3
    assert result["truth"].to_list() == pytest.approx([0.05, on_machine / 2, own / 2])
    assert result["scope"].to_list() == ["season", "machine", "field"]


def test_positions_in_the_opposite_order_have_the_opposite_sign(season, steps):
    ways = [("off", "on"), ("on", "off")]
    rows = [row_of("season", "de_awning_plates", "cleaning_loss", from_value=a, to_value=b) for a, b in ways]
    assert judged(season, steps, *rows)["truth"].to_list() == pytest.approx([0.20, -0.20])


def test_a_step_of_tip_speed_depends_on_the_drum():
    """50 rpm on 0.60 m are 1.5708 m/s at the tip (v = pi d n), so 1 m/s is 0.6366 steps; on 0.45 m 0.8488."""
    row = {"setting": "threshing_speed", "per_step": 1.0, "unit": "m/s"}
    assert [steps_of(row, d) for d in (0.60, 0.45)] == pytest.approx([0.63662, 0.84883], abs=1e-5)


def test_a_test_up_and_back_is_judged_from_its_first_to_its_second_value():
    row = {"setting": "rotor_speed", "per_step": None, "unit": "rpm", "from_value": "950", "to_value": "850"}
    assert steps_of(row, 0.6) == -2.0


def test_fields_to_come_are_drawn_about_the_truth(season, steps):
    """Fields to come differ by sqrt(0.2^2 + 0.3^2) = 0.36 a step about the season's, by 0.3 about a machine's."""
    ends = {"next_field_percent_low": -50.0, "next_field_percent_high": 50.0, "per_step": 2.0, "unit": "mm"}
    rows = [row_of("season", "concave_clearance", "separation_loss", **ends)] * 500
    nothing = row_of("season", "fan_speed", "cleaning_loss", **ends | {"per_step": 50.0, "unit": "rpm"})
    found = judged(season, steps, *rows, nothing).filter(pl.col("scope") == NEXT_FIELD)
    result = found.filter(pl.col("setting") == "concave_clearance")
    assert result["truth"].mean() == pytest.approx(0.10, abs=0.04)
    assert result["truth"].std() == pytest.approx(0.36, rel=0.08)
    assert result["low"][0] == pytest.approx(np.log(0.5))
    assert result["high"][0] == pytest.approx(np.log(1.5))


def test_kilograms_are_the_true_effect_on_the_true_loss(season, steps):
    """At 80 kg/ha before, a true step of ln 1.05 adds 4 kg/ha."""
    known = steps.with_columns(
        pl.lit(80.0).alias("kg_ha"), pl.lit(np.log(1.05)).alias("season_log_ratio"), steps=pl.lit(1)
    )
    result = row_of("season", "concave_clearance", "machine_loss", per_step=2.0, unit="mm")
    in_kg = {"absolute": 3.0, "absolute_low": 1.0, "absolute_high": 5.0, "absolute_unit": KG_HA}
    found = judged(season, known, result | in_kg).filter(pl.col("scope") == KG_HA)
    assert found.select("truth", "estimate", "low", "high").row(0) == pytest.approx((4.0, 3.0, 1.0, 5.0))


def test_refused_rows_and_joint_changes_are_not_judged(season, steps):
    refused = row_of("season", "concave_clearance", "separation_loss", verdict="cannot tell")
    assert (
        judge_scopes(season, steps, pl.DataFrame([refused], schema=dict(tables()["effects"].polars_schema())))
        == []
    )
    assert steps["joint_id"].null_count() == steps.height
