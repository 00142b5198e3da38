"""The hierarchical model against published analyses of 13 trials of BCG vaccination, with and without latitude.

Counts (tuberculosis and participants, vaccinated and not) and latitudes: Colditz et al. 1994, JAMA 271(9):698-702, as
given in many textbooks; from memory, guarded by the first test. A trial stands for a field, its log risk ratio for an
estimate of one step, its latitude for the dose of a second setting.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from chaffinch.pipelines.estimate.results.hierarchy import answers
from chaffinch.pipelines.estimate.results.nested_terms import FieldEstimates, NestedTerms, Spreads

# Trial: vaccinated with tuberculosis, vaccinated without, others with, others without, latitude in degrees.
TRIALS = np.array(
    [
        [4, 119, 11, 128, 44],
        [6, 300, 29, 274, 55],
        [3, 228, 11, 209, 42],
        [62, 13536, 248, 12619, 52],
        [33, 5036, 47, 5761, 13],
        [180, 1361, 372, 1079, 44],
        [8, 2537, 10, 619, 19],
        [505, 87886, 499, 87892, 13],
        [29, 7470, 45, 7232, 27],
        [17, 1699, 65, 1600, 42],
        [186, 50448, 141, 27197, 18],
        [5, 2493, 3, 2338, 33],
        [27, 16886, 29, 17825, 33],
    ],
    dtype=float,
)
# A prior on the mean so wide that it says nothing.
FLAT = Spreads(setting=1e3, field=0.0, change=0.0)


def log_risk_ratios() -> tuple[np.ndarray, np.ndarray]:
    sick, well, other_sick, other_well, _ = TRIALS.T
    vaccinated, others = sick + well, other_sick + other_well
    effect = np.log((sick / vaccinated) / (other_sick / others))
    return effect, 1 / sick - 1 / vaccinated + 1 / other_sick - 1 / others


def trials(with_latitude: bool = False) -> NestedTerms:
    doses = [[1.0, latitude] if with_latitude else [1.0] for latitude in TRIALS[:, 4]]
    none = np.zeros(1)
    fields = [
        FieldEstimates(
            "", None, 0, np.array([y]), np.array([[v]]), np.array([x]), none[:, None], np.inf, none
        )
        for y, v, x in zip(*log_risk_ratios(), doses, strict=True)
    ]
    return NestedTerms(fields)


def seasons(model: NestedTerms, spreads: Spreads) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Means, standard errors, and standard deviations of a trial to come."""
    of_crops = np.ones((2, 1))
    found = answers(model.solve(spreads), of_crops)
    means, variances = (part[: model.settings] for part in found["seasons"])
    return means, np.sqrt(variances), np.sqrt(found["next_fields"][1][: model.settings])


def test_the_counts_give_the_published_pools():
    """Guards the table above: DerSimonian and Laird's closed form gives the published -0.7141 (variance 0.3088)."""
    effect, variance = log_risk_ratios()
    weight = 1 / variance
    mean = weight @ effect / weight.sum()
    q = weight @ (effect - mean) ** 2
    between = (q - 12) / (weight.sum() - (weight**2).sum() / weight.sum())
    again = 1 / (variance + between)
    assert between == pytest.approx(0.3088, abs=5e-5)
    assert again @ effect / again.sum() == pytest.approx(-0.7141, abs=5e-5)
    assert q == pytest.approx(152.233, abs=5e-4)


def test_the_likelihood_of_the_spread_is_greatest_where_it_was_published():
    """Restricted maximum likelihood: 0.3132 (Viechtbauer 2010, J. Statist. Software 36(3):1-48, table of BCG)."""
    from scipy.optimize import minimize_scalar

    model = trials()
    found = minimize_scalar(
        lambda t: -model.solve(replace(FLAT, field=t)).loglik, bounds=(0.1, 2), method="bounded"
    )
    assert found.x**2 == pytest.approx(0.3132, abs=2e-4)


def test_mean_and_the_next_trial_are_the_published_ones():
    """Viechtbauer 2010, section 5: risk ratio 0.49 (0.34 to 0.70), of a trial to come 0.15 to 1.55."""
    means, errors, beyond = seasons(trials(), replace(FLAT, field=float(np.sqrt(0.3132))))
    assert means[0] == pytest.approx(-0.7145, abs=1e-4)
    assert errors[0] == pytest.approx(0.1798, abs=1e-4)
    for spread, (low, high) in ((errors[0], (0.34, 0.70)), (beyond[0], (0.15, 1.55))):
        ends = np.exp(means[0] + 1.96 * spread * np.array([-1, 1]))
        assert ends == pytest.approx([low, high], abs=0.005)


@pytest.mark.parametrize(
    ("between", "intercept", "slope", "error"),
    [(0.0, 0.34356, -0.02924, 0.00265), (0.0633, 0.2595, -0.02923, 0.00673)],
    ids=["one slope for all", "trials differ about it"],
)
def test_the_slope_on_latitude_is_the_published_one(between, intercept, slope, error):
    """Borenstein et al. 2009, Introduction to Meta-Analysis, ch. 20: -0.0292 a degree, with both errors."""
    means, errors, _ = seasons(trials(with_latitude=True), replace(FLAT, field=np.sqrt([between, 0.0])))
    assert means == pytest.approx([intercept, slope], rel=2e-4)
    assert errors[1] == pytest.approx(error, abs=6e-6)
