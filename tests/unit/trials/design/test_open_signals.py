"""What loss signals leave open of a trial, however many switches it has."""

from __future__ import annotations

import numpy as np
import pytest
from chaffinch.pipelines.estimate.signals.exponents import APART, APART_PRIOR
from chaffinch.pipelines.estimate.signals.gain_moves import MOVES, MOVES_PRIOR
from chaffinch.pipelines.trials.design.open_signals import open_of_signals
from scipy.optimize import brentq
from scipy.stats import norm


def test_a_setting_that_moves_no_gain_leaves_the_power_of_the_signal_open_alone():
    # Powers lie about one, mostly near it: a share of the effect, the square root of the mixture's mean square.
    few, many = (open_of_signals("rotor_speed", ("850", "950"), "separation_loss", e) for e in (0.1, 0.3))
    assert many == pytest.approx(3 * few)
    assert few == pytest.approx(
        0.1 * np.sqrt(sum(p * sd**2 for sd, p in zip(APART, APART_PRIOR, strict=True)))
    )


def test_the_gain_of_a_sensor_may_move_with_each_step_of_the_setting():
    one = open_of_signals("fan_speed", ("1000", "1050"), "cleaning_loss", 0.0)
    # Mostly one hundredth, now and then a quarter: the end of the mixture's 95 % range, by a root of its tail.
    sizes = list(zip(MOVES, MOVES_PRIOR, strict=True))
    end = brentq(lambda x: sum(share * norm.sf(x / sd) for sd, share in sizes) - 0.025, 0.0, 1.0)
    assert one == pytest.approx(end / 1.96, rel=0.01)
    assert open_of_signals("fan_speed", ("950", "1050"), "cleaning_loss", 0.0) == pytest.approx(2 * one)
    assert open_of_signals("fan_speed", ("1000", "1050"), "separation_loss", 0.0) == 0.0


def test_a_sum_of_signals_of_unknown_weight_leaves_part_of_an_effect_open():
    """Two equal losses, one of which moves: by how much the effect on their weighed sum turns with the weight."""

    def of_sum(moved: float, weight_log: float) -> float:
        before, after = (
            0.5 * np.exp(x + weight_log / 2) + 0.5 * np.exp(-weight_log / 2) for x in (0.0, moved)
        )
        return float(np.log(after / before))

    moved = 0.1
    turned = (of_sum(moved, 0.01) - of_sum(moved, -0.01)) / 0.02
    values, effect = ("850", "950"), of_sum(moved, 0.0)
    of_power = open_of_signals("rotor_speed", values, "separation_loss", effect)
    found = open_of_signals("rotor_speed", values, "machine_loss", effect)
    # Half of the variance of a factor of e, one standard deviation, is open (``signal_weights``).
    assert np.sqrt(found**2 - of_power**2) == pytest.approx(np.sqrt(0.5) * turned, rel=0.05)
