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
