"""Rises just before a moment, placebos of shifted schedules, and machines whose changes keep bad company."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from chaffinch.pipelines.estimate.model.change_points import NEAREST_BINS
from chaffinch.pipelines.estimate.model.covariance import Observations
from chaffinch.pipelines.estimate.model.noise import Noise
from chaffinch.pipelines.estimate.model.placebo import AFTER_RISES, SHIFTS, check_ranges, placebo_steps
from chaffinch.pipelines.estimate.model.rises import rise_scores
from chaffinch.pipelines.estimate.results.company import (
    explaining_step,
    machines_in_company,
    share_of_moments,
)

BINS = 1500
MOMENTS = (300, 700, 1200)


def noise() -> Noise:
    """White noise and next to nothing else."""
    return Noise(np.full(4, 1e-6), 10.0, 0.0)


def observed(values: np.ndarray) -> Observations:
    index = np.arange(BINS)
    steps = np.column_stack([(index >= m).astype(float) for m in MOMENTS])
    return Observations(10.0 * index, np.column_stack([steps, np.ones(BINS)]), values, np.full(BINS, 0.1))


def test_a_rise_scores_by_its_size_and_only_in_its_minute():
    rng = np.random.default_rng(4)
    quiet = rng.standard_normal(BINS)
    risen = quiet.copy()
    risen[500:506] += 2.0
    before, after = (rise_scores(observed(y), noise()) for y in (quiet, risen))
    assert np.std(before[20:]) == pytest.approx(1.0, abs=0.1)
    # Six bins two standard errors higher: 2 sqrt(6) = 4.90, less what the level of all 400 takes: 12/400 sqrt(6).
    assert (after - before)[506] == pytest.approx(4.83, abs=0.1)
    assert abs((after - before)[500]) < 0.2 and abs((after - before)[520]) < 0.2


def test_placebos_of_noise_that_is_as_fitted_have_scores_of_variance_one():
    rng = np.random.default_rng(21)
    found = [placebo_steps(observed(rng.standard_normal(BINS)), noise(), (0, 1, 2)) for _ in range(60)]
    scores = np.concatenate([one.scores for one in found])
    after = np.concatenate([one.after_rise for one in found])
    # 60 fields of about 12 scores each, not independent: four standard errors are about a quarter.
    assert np.mean(scores**2) == pytest.approx(1.0, abs=0.25)
    assert np.mean(after**2) == pytest.approx(1.0, abs=0.35)
    assert all(1 <= one.after_rise.size <= AFTER_RISES for one in found)
    # At most three steps in each shifted schedule.
    assert all(one.steps.size <= SHIFTS * len(MOMENTS) for one in found)
    checked = check_ranges(scores, after)
    assert 1.0 <= checked.widen <= checked.widen_after_rise < 1.2


def test_steps_that_follow_rises_widen_what_follows_a_rise_and_little_else():
    rng = np.random.default_rng(7)
    rise, stretch = np.zeros(BINS), 60
    for start in (100, 450, 900, 1350):
        rise[start : start + stretch] += 2.5
    found = [placebo_steps(observed(rng.standard_normal(BINS) + rise), noise(), (0, 1, 2)) for _ in range(12)]
    checked = check_ranges(
        np.concatenate([one.scores for one in found]), np.concatenate([one.after_rise for one in found])
    )
    assert checked.widen_after_rise > 1.15


def test_a_field_too_short_for_placebos_has_none():
    index = np.arange(5 * NEAREST_BINS)
    short = Observations(
        10.0 * index, np.ones((index.size, 1)), np.zeros(index.size), np.full(index.size, 0.1)
    )
    assert placebo_steps(short, noise(), ()).scores.size == 0


def season(rise: float, step: float, machines: int = 2, changes: int = 12) -> dict[str, Any]:
    """An outcome whose changes have rises about ``rise`` before them and steps about ``step`` after them."""
    rng = np.random.default_rng(2)
    fields = []
    for number in range(machines):
        names = tuple(f"step {k}" for k in range(changes))
        fields.append(
            SimpleNamespace(
                binned=SimpleNamespace(machine=f"Combine {number}"),
                design=SimpleNamespace(names=names),
                fit=SimpleNamespace(coefficients=step + 0.3 * rng.standard_normal(changes)),
                rises={k: rise + float(rng.standard_normal()) for k in range(changes)},
            )
        )
    return {"separation_loss": SimpleNamespace(fields=fields)}


@pytest.mark.parametrize(
    ("rise", "step", "found"), [(1.3, 0.3, 2), (0.0, 0.3, 0), (1.3, 0.0, 0), (0.0, 0.0, 0), (1.3, -0.3, 0)]
)
def test_company_needs_rises_before_and_higher_loss_after(rise, step, found):
    """A driver who reacts to noise has the rise without the step, one who chose badly the step without the rise."""
    assert len(machines_in_company(season(rise, step))) == found


def test_few_changes_show_no_company():
    assert machines_in_company(season(3.0, 0.5, machines=1, changes=4)) == set()


def test_what_would_explain_a_verdict_away():
    # Alone, the nearer end of the range is the step itself.
    assert explaining_step(0.2, 0.6, 0.4) == pytest.approx(0.2)
    assert explaining_step(-0.6, -0.2, 0.4) == pytest.approx(-0.2)
    # Half as wide by what others share: a step here moves the answer by a quarter of itself.
    assert explaining_step(0.1, 0.3, 0.4) == pytest.approx(0.4)
    assert explaining_step(-0.1, 0.3, 0.4) is None
    steps = np.linspace(-0.5, 0.5, 101)
    assert share_of_moments(0.4, steps) == pytest.approx(11 / 101)
    assert share_of_moments(-0.4, steps) == pytest.approx(11 / 101)
    assert share_of_moments(0.4, steps[:10]) is None
