"""True curves against responses written by hand: the arithmetic is in the comments."""

import polars as pl
import pytest
from chaffinch.pipelines.prove.judged_curves import BEST, CURVE, judge_curves
from chaffinch.pipelines.simulate import SCENARIOS
from chaffinch.pipelines.simulate.scenario import Effects

# Rotor: 850 rpm is the start, a step is 50 rpm; the best lies one step up, and each step away costs 0.12 x steps^2.
BOWL = Effects(per_step_sd=0.0, zero_share=1.0, bowls=(("rotor_speed", "separation", 1.0, 0.12),))


def responses(best_at: float, low: float = -0.2, high: float = 0.6) -> pl.DataFrame:
    """Three values of the rotor, 850 in use; 900 or another of them is the likely best."""
    values = [850.0, 900.0, 950.0]
    regrets = [0.0 if value == best_at else 0.1 for value in values]
    return pl.DataFrame(
        {
            "machine": [None] * 3,
            "crop": ["wheat"] * 3,
            "setting": ["rotor_speed"] * 3,
            "unit": ["rpm"] * 3,
            "outcome": ["separation_loss"] * 3,
            "value": values,
            "value_in_use": [850.0] * 3,
            "log_ratio": [0.0, -0.1, 0.02],
            "log_ratio_low": [0.0, -0.3, low],
            "log_ratio_high": [0.0, 0.1, high],
            **{name: [None] * 3 for name in ("absolute", "absolute_low", "absolute_high")},
            "chance_best": [0.96 if value == best_at else 0.02 for value in values],
            "expected_regret": regrets,
            "adjustments_pooled": [7] * 3,
        },
        schema_overrides={"machine": pl.String},
    )


def test_a_curve_is_judged_at_its_ends_against_the_value_in_use() -> None:
    curve, best = judge_curves(BOWL, responses(best_at=900.0))
    # 950 rpm is two steps up, one from the best: as far from it as 850, so the loss is the same.
    assert (curve["scope"], curve["truth"]) == (CURVE, pytest.approx(0.0))
    assert (curve["estimate"], curve["low"], curve["high"]) == (0.02, -0.2, 0.6)
    assert curve["verdict"] == "no clear change"
    assert (best["scope"], best["truth"], best["estimate"]) == (BEST, 1.0, 1.0)


def test_the_best_value_is_judged_in_steps() -> None:
    _, best = judge_curves(BOWL, responses(best_at=950.0))
    assert (best["truth"], best["estimate"]) == (1.0, 2.0)
    # 2 % of the chance lies on each of the other two values, less than the 2.5 % that a range leaves out.
    assert (best["low"], best["high"]) == (1.0, 2.0)


def test_a_season_without_best_values_has_none_to_judge() -> None:
    assert judge_curves(SCENARIOS["plain"].effects, responses(best_at=900.0)) == []
