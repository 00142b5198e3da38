"""Settings that do nothing: how many there are is learned, and the chance that an outcome fell counts them half."""

from __future__ import annotations

import numpy as np
import pytest
from chaffinch.pipelines.estimate.results.hierarchy import Hierarchy, fit_hierarchy
from chaffinch.pipelines.estimate.results.idle_settings import idle_chances
from chaffinch.pipelines.estimate.results.nested_terms import FieldEstimates
from scipy.integrate import quad
from scipy.stats import beta

SETTINGS, ERROR = 10, 0.12


def test_the_share_of_idle_settings_is_integrated_out():
    """One setting alone has a share of a half. Two: the same integral by a quadrature."""
    assert idle_chances(np.array([3.0]), np.array([1.0]))[0] == pytest.approx(3 / (3 + 1), abs=1e-6)
    idle, acting = np.array([4.0, 0.5]), np.array([0.2, 1.1])

    def together(share: float) -> float:
        return float(np.prod(share * idle + (1 - share) * acting))

    def first_idle(share: float) -> float:
        return share * idle[0] / (share * idle[0] + (1 - share) * acting[0]) * together(share)

    sums = [quad(lambda s, f=f: f(s) * beta.pdf(s, 0.5, 0.5), 0, 1)[0] for f in (first_idle, together)]
    assert idle_chances(idle, acting)[0] == pytest.approx(sums[0] / sums[1], abs=0.01)


def season(effects: list[float], rng: np.random.Generator) -> Hierarchy:
    """Eight fields of one machine, in each a change of every setting."""
    steps = np.eye(len(effects)) * rng.choice([-1.0, 1.0], len(effects))
    fields = [
        FieldEstimates(
            "A",
            None,
            2026,
            steps @ effects + ERROR * rng.standard_normal(len(effects)),
            ERROR**2 * np.eye(len(effects)),
            steps,
            np.zeros((len(effects), 1)),
            np.inf,
            np.zeros(len(effects)),
        )
        for _ in range(8)
    ]
    return fit_hierarchy(fields)


@pytest.mark.seconds
def test_idle_settings_are_near_one_half_and_the_more_so_the_more_there_are():
    rng = np.random.default_rng(8)
    about = np.eye(SETTINGS, dtype=bool)
    few, many = (
        season([0.5, -0.5] + [0.0] * 8, rng),
        season([0.3, -0.4, 0.5, -0.3, 0.6, -0.5, 0.4, -0.6, 0, 0], rng),
    )
    chances = few.idle.chance_less(few.seasons.rows(range(SETTINGS)), about)
    plain = few.seasons.below(0.0)[:SETTINGS]
    assert chances[0] < 0.01
    assert chances[1] > 0.99
    assert np.abs(chances[2:] - 0.5).mean() < 0.6 * np.abs(plain[2:] - 0.5).mean()
    # Settings of which the data say as little are more likely idle where most others are.
    assert few.idle.chances[2:].min() > 0.5
    assert few.idle.chances[2:].mean() > many.idle.chances[8:].mean()
    assert many.idle.chances[:8].max() < 0.1
    # A joint change of an idle setting and of one that acts is not idle; a change of unknown dose is about none.
    joint = np.array([[True, False, True] + [False] * 7, [False] * SETTINGS])
    found = few.idle.chance_less(few.seasons.rows([0, 3]), joint)
    assert found[0] < 0.01
    assert found[1] == pytest.approx(plain[3], abs=1e-9)


@pytest.mark.seconds
def test_chances_turn_with_the_direction_of_the_change():
    found = season([0.3, -0.1, 0.05, 0.0], np.random.default_rng(9))
    seasons, about = found.seasons.rows(range(4)), np.eye(4, dtype=bool)
    up, down = (found.idle.chance_less(seasons.times(by), about) for by in (1.0, -1.0))
    np.testing.assert_allclose(up + down, 1.0, atol=1e-9)
