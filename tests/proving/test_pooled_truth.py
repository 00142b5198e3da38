"""What the simulator knows of a season's means, compared with pooled rows written by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from chaffinch.pipelines.prove.pooled import POOLED_SCHEMA, judge_pooled
from chaffinch.pipelines.prove.pooled_scoring import failings_of_pooled, score_pooled
from chaffinch.pipelines.simulate import SCENARIOS, simulate_season
from chaffinch.pipelines.simulate.scenario import Effects
from chaffinch.schemas.tables import tables

STATED = (
    ("threshing_speed", "separation", -0.06),
    ("concave_clearance", "separation", 0.10),
    ("de_awning_plates", "cleaning", 0.20),
)


@pytest.fixture(scope="module")
def season():
    effects = Effects(stated=STATED, between_fields_sd=0.08)
    return simulate_season(replace(SCENARIOS["plain"], effects=effects), 3)


def pooled_row(setting: str, outcome: str, **result) -> dict:
    """A season row of ``effects``; ranges on the log scale are -0.1 to 0.1 unless given."""
    named = {"scope": "season", "setting": setting, "outcome": outcome, "crop": "wheat"}
    numbers = {"log_ratio": 0.0, "log_ratio_low": -0.1, "log_ratio_high": 0.1}
    return {**named, **numbers, "verdict": "no clear change", **result}


def judged(season, *rows: dict) -> pl.DataFrame:
    return judge_pooled(season, pl.DataFrame(rows, schema=dict(tables()["effects"].polars_schema())))


def test_a_catalogue_step_is_as_many_of_the_simulators_as_it_is_long(season):
    """Concave clearance is moved by 2 mm at a time: stated for 1 mm, the mean is half of it."""
    row = pooled_row("concave_clearance", "separation_loss", per_step=1.0, unit="mm")
    assert judged(season, row)["truth"].to_list() == pytest.approx([0.05])


def test_a_step_of_tip_speed_is_that_of_the_reference_drum(season):
    """50 rpm on 0.60 m are 1.5708 m/s at the tip (v = pi d n), so 1 m/s does 0.06 / 1.5708 = 0.0382."""
    row = pooled_row("threshing_speed", "separation_loss", per_step=1.0, unit="m/s")
    assert judged(season, row)["truth"].to_list() == pytest.approx([-0.0382], abs=5e-5)


def test_positions_in_the_opposite_order_have_the_opposite_sign(season):
    ways = [("open", "closed"), ("closed", "open")]
    rows = [pooled_row("de_awning_plates", "cleaning_loss", from_value=a, to_value=b) for a, b in ways]
    assert judged(season, *rows)["truth"].to_list() == pytest.approx([0.20, -0.20])


def test_only_answered_season_rows_of_outcomes_a_step_acts_on_are_judged(season):
    row = pooled_row("concave_clearance", "separation_loss", per_step=1.0, unit="mm")
    others = (
        {"scope": "field"},
        {"outcome": "machine_loss"},
        {"verdict": "cannot tell"},
        {"reasons": ["one_field"]},
    )
    assert judged(season, row, *[row | other for other in others]).height == 1


def test_how_often_a_next_field_lies_in_its_range(season):
    """Fields are normal about the season with 0.08 a step of 2 mm: 0.04 for 1 mm, 1.96 of which hold 95 %."""
    reach = 1.96 * 0.04
    low, high = (100 * np.expm1(0.05 + way * reach) for way in (-1, 1))
    row = pooled_row("concave_clearance", "separation_loss", per_step=1.0, unit="mm")
    result = row | {"next_field_percent_low": low, "next_field_percent_high": high}
    # Where the setting does nothing, it does nothing in any field.
    nothing = result | {"setting": "fan_speed", "per_step": 50.0, "unit": "rpm"}
    assert season.effects["fan_speed"]["separation"] == 0
    found = judged(season, row, result, nothing, nothing | {"next_field_percent_low": 1.0})
    assert found["next_field_held"].to_list() == [None, pytest.approx(0.95, abs=1e-4), 1.0, 0.0]


def rows_of(*seen: tuple[float, float, float, str]) -> pl.DataFrame:
    """Pooled rows of (truth, low, high, verdict)."""
    shared = {"scenario": "plain", "seed": 1, "setting": "fan_speed", "outcome": "cleaning_loss"}
    rows = [
        {**shared, "truth": t, "low": low, "high": high, "estimate": (low + high) / 2, "verdict": verdict}
        for t, low, high, verdict in seen
    ]
    return pl.DataFrame(rows, schema=POOLED_SCHEMA)


def test_scores_of_pooled_rows():
    rows = rows_of(
        (0.1, 0.05, 0.2, "more"),
        (-0.1, 0.05, 0.2, "more"),
        (0.0, -0.3, -0.1, "less"),
        (0.0, -1, 1, "no clear change"),
    )
    (one,) = score_pooled(rows)
    assert (one["rows"], one["held"], one["called"], one["false"]) == (4, 2, 3, 2)
    assert one["share_false"] == pytest.approx(2 / 3)
    assert one["mean_width"] == pytest.approx((0.15 + 0.15 + 0.2 + 2) / 4)
    assert one["next_field_coverage"] is None


def test_pooled_rows_fail_by_narrow_ranges_and_by_false_verdicts_and_not_by_chance():
    # Of 20 verdicts one in twenty of which is false, 5 are in 0.3 %, 6 in 0.03 % (binomial tables).
    def result(held: int, false: int) -> list[str]:
        fine = [(0.1, 0.05, 0.2, "more")] * 20
        rows = rows_of(*fine[false:], *[(0.0, -0.1, 0.2, "more")] * false)
        (one,) = score_pooled(rows)
        return list(failings_of_pooled([one | {"held": held, "coverage": held / 20}]))

    assert result(20, 5) == []
    assert "6 of 20 season verdicts are false" in result(20, 6)[0]
    assert "70.0 % of 20 season ranges hold the true mean" in result(14, 0)[0]
