"""Published repeats by design through the code of trials: a switchback trial, paired plants, a Latin square."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from builders.trials import START, plan_of, stored
from chaffinch.pipelines.estimate.model.covariance import Observations
from chaffinch.pipelines.estimate.model.likelihood import solve
from chaffinch.pipelines.estimate.model.noise import Noise
from chaffinch.pipelines.trials.answers.standing import Standing, standings
from chaffinch.pipelines.trials.design.precision import Driven, TrialNoise, errors_of_values
from chaffinch.schemas.tables import tables
from published.test_switchback import T1_T2_T1, T2_T1_T2
from scipy.special import ndtri

REACH = float(ndtri(0.975))


def brandt() -> Standing:
    """The switchback trial as a trial over ten fields: a cow is a field, her own A-B-A contrast its answer.

    A contrast has the variance of the mean square between cows of a group, 8 degrees of freedom.
    """
    contrast = np.array([1.0, -2.0, 1.0]) / 2
    effects = np.concatenate([-(T1_T2_T1 @ contrast), T2_T1_T2 @ contrast])
    groups = effects[:5], effects[5:]
    mean_square = sum(float(((g - g.mean()) ** 2).sum()) for g in groups) / 8
    half = REACH * np.sqrt(mean_square)
    plan = plan_of(["1", "2", "1"], name="Brandt", setting="fan_speed")
    rows = [
        {
            "scope": "field", "machine": "A", "field": f"cow {k}", "setting": "fan_speed", "trial": "Brandt",
            "from_value": "1", "to_value": "2", "outcome": "cleaning_loss", "verdict": "no clear change",
            "alone_log_ratio": effect, "alone_log_ratio_low": effect - half, "alone_log_ratio_high": effect + half,
            "adjustments_pooled": 2,
        }
        for k, effect in enumerate(effects)
    ]  # fmt: skip
    known = {name: kind for name, kind in tables()["effects"].polars_schema().items() if name in rows[0]}
    trials = stored(plan).with_columns(
        pl.lit("finished").alias("status"),
        pl.lit("done").alias("step_status"),
        pl.lit(START).alias("done_at"),
    )
    return standings(trials, tables()["effects"].conform(pl.DataFrame(rows, schema=known)), ["A"])[0]


def test_brandts_switchback_trial_of_1938():
    # Iowa State College Agricultural Research Bulletin 234 (by way of the agridat data collection): T2 gave 21.7 lb
    # more per cow and 28 days; 8 degrees of freedom.
    main = brandt().main
    assert main is not None
    assert main.log_ratio == pytest.approx(21.7, abs=0.05)


def test_its_standard_error_is_that_of_two_samples():
    # Against an independent program, scipy's two-sample t of the contrasts of the two groups (8 degrees of freedom).
    from scipy.stats import ttest_ind

    contrast = np.array([1.0, -2.0, 1.0])
    theirs = ttest_ind(T2_T1_T2 @ contrast, T1_T2_T1 @ contrast)
    main = brandt().main
    assert main is not None
    assert main.log_ratio / np.sqrt(main.variance) == pytest.approx(float(theirs.statistic), rel=1e-6)
    assert theirs.df == 8


def test_the_precision_of_a_b_a_with_white_noise_is_the_textbooks():
    # Three periods of equal length, white noise of variance s2 in each: s2 (1 + 1/2).
    white = TrialNoise(np.array([1e-12]), 0.09, own_scales_s=np.array([1.0]))
    driven = Driven(np.array([0.5, 1.5, 2.5]), np.zeros(3))
    found = errors_of_values(driven, [1.0, 2.0, 3.0], [[0.0], [1.0], [0.0]], white, left_out_s=0.0)
    assert found[0, 0] == pytest.approx(1.5 * 0.09, rel=1e-6)


# The hardness test of D. C. Montgomery, Design and Analysis of Experiments, with its four tips in a Latin square over
# operators (rows) and coupons (columns); printed analysis: lecture notes STAT 368, University of Alberta, "Latin and
# Graeco-Latin Squares". Half of the readings from memory, guarded by the four printed sums of squares.
HARDNESS = np.array(
    [[9.3, 9.4, 9.2, 9.7], [9.3, 9.4, 9.6, 9.4], [9.5, 10.0, 9.6, 9.8], [10.2, 9.7, 9.9, 10.0]]
)
TIPS = np.array([[0, 1, 2, 3], [1, 0, 3, 2], [2, 3, 0, 1], [3, 2, 1, 0]])


def test_a_latin_square_has_its_printed_table():
    y, tip = HARDNESS.ravel(), TIPS.ravel()
    row, column = np.repeat(np.arange(4), 4), np.tile(np.arange(4), 4)
    printed = {"tips": 0.385, "operators": 0.825, "coupons": 0.060}
    for name, label in (("tips", tip), ("operators", row), ("coupons", column)):
        means = np.array([y[label == k].mean() for k in range(4)])
        assert 4 * ((means - y.mean()) ** 2).sum() == pytest.approx(printed[name], abs=5e-4), name
    # By the regression of trials: values against the first one, rows and columns taken out, white noise.
    dummies = [(label[:, None] == np.arange(1, 4)).astype(float) for label in (tip, row, column)]
    design = np.column_stack([*dummies, np.ones(16)])
    observed = Observations(np.arange(16) * 1e6, design, y, np.ones(16))
    solved = solve(observed, Noise(np.full(4, 1e-12), 1.0))
    left = y - design @ solved.coefficients
    assert left @ left == pytest.approx(0.020, abs=5e-4)
    mean_square = float(left @ left) / (16 - design.shape[1])
    assert mean_square == pytest.approx(0.00333, abs=5e-6)
    values = solved.coefficients[:3]
    f = values @ np.linalg.solve(solved.covariance[:3, :3] * mean_square, values) / 3
    assert f == pytest.approx(38.5, rel=1e-4)
    # Any two tips differ with a variance of twice the mean square over four readings.
    assert solved.covariance[0, 0] * mean_square == pytest.approx(2 * mean_square / 4, rel=1e-4)
