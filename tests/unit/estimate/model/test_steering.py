"""Drivers who steer by the loss monitor: found by speed after loss, and what their feed rate becomes."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from chaffinch.pipelines.estimate.data.bins import Binned
from chaffinch.pipelines.estimate.model.speed_after_loss import speed_after_loss
from chaffinch.pipelines.estimate.model.steering import feed_by_ground, machines_that_steer

BINS = 1500
TRUE_SLOPE, TRUE_EFFECT = 2.0, -0.4


def made_up(power: float, seed: int, used_to_it_bins: float = np.inf) -> tuple[Binned, SimpleNamespace]:
    """Loss rises with the feed rate to ``TRUE_SLOPE`` and falls by ``TRUE_EFFECT`` half way; the driver divides his
    speed by the loss of the bin before to the ``power``, until he is used to it. Noise of the loss lasts for a minute
    or so."""
    rng = np.random.default_rng(seed)
    log_yield = 0.15 * np.convolve(rng.standard_normal(BINS + 20), np.ones(20) / 20**0.5, "valid")[:BINS]
    noise, log_area, log_loss = np.zeros(BINS), np.zeros(BINS), np.zeros(BINS)
    step = (np.arange(BINS) >= BINS // 2).astype(int)
    for i in range(BINS):
        noise[i] = 0.85 * (noise[i - 1] if i else 0.0) + 0.15 * rng.standard_normal()
        still = np.exp(-(i - BINS // 2) / used_to_it_bins) * TRUE_EFFECT
        seen = noise[i - 1] + still * step[i - 1] if i else 0.0
        log_area[i] = -power * seen + 0.03 * rng.standard_normal()
        log_loss[i] = TRUE_SLOPE * (log_yield[i] + log_area[i]) + TRUE_EFFECT * step[i] + noise[i]
    none = np.full(BINS, np.nan)
    feed = 30.0 * np.exp(log_yield + log_area)
    binned = Binned(
        *("A", "Home", "wheat", [], 10.0 * np.arange(BINS), np.full(BINS, 10.0), step, np.full(BINS, 100.0)),
        *(np.full(BINS, 100.0), feed, none, none, none, none, none, 18.0 * np.exp(log_area), none),
        {"separation_loss": log_loss},
        {"separation_loss": ["uncalibrated_sum"]},
        False,
    )
    columns = np.column_stack([step, np.ones(BINS), np.log(feed)])
    coefficients, *_ = np.linalg.lstsq(columns, log_loss, rcond=None)
    steering = speed_after_loss(binned, np.ones(BINS, dtype=bool), log_loss - columns @ coefficients)
    return binned, SimpleNamespace(binned=binned, witness=SimpleNamespace(steering=steering))


@pytest.mark.parametrize(("power", "found"), [(0.3, {"A"}), (0.0, set())])
def test_a_driver_who_goes_slower_after_loss_is_found(power, found):
    fields = [made_up(power, seed)[1] for seed in range(4)]
    assert machines_that_steer({"separation_loss": SimpleNamespace(fields=fields)}) == found


def least_squares(binned: Binned) -> np.ndarray:
    columns = np.column_stack([binned.step, np.ones(BINS), np.log(binned.feed_t_h)])
    return np.linalg.lstsq(columns, binned.outcomes["separation_loss"], rcond=None)[0]


def test_the_yield_of_the_ground_gives_slope_and_effect_back():
    """Plain least squares on the feed rate as driven is off by an amount that repeats don't cure."""
    fields = [made_up(0.6, seed)[0] for seed in range(8)]
    driven = np.mean([least_squares(one) for one in fields], axis=0)
    grounded = np.mean([least_squares(feed_by_ground(one)) for one in fields], axis=0)
    assert driven[2] < TRUE_SLOPE - 0.2
    assert grounded[2] == pytest.approx(TRUE_SLOPE, abs=0.1)
    assert grounded[0] == pytest.approx(TRUE_EFFECT, abs=0.1)


def test_a_speed_that_follows_a_change_for_a_while_takes_nothing_of_its_effect():
    """The driver is used to the new loss after ten minutes or so; a shift of speed for good would miss that where the
    quarter hours around a change decide, as under noise that drifts."""
    fields = [made_up(0.6, seed, used_to_it_bins=60.0)[0] for seed in range(40)]
    change = SimpleNamespace(last_s=10.0 * (BINS // 2))
    known = [replace(one, changes=[change]) for one in fields]
    for_good, fading = (
        np.mean([around_the_change(feed_by_ground(one)) for one in some]) for some in (fields, known)
    )
    assert fading == pytest.approx(TRUE_EFFECT, abs=0.05)
    assert for_good > TRUE_EFFECT + 0.15


def around_the_change(binned: Binned) -> float:
    """Step of the loss over the 15 minutes on both sides, at the same feed rate."""
    rest = binned.outcomes["separation_loss"] - TRUE_SLOPE * np.log(binned.feed_t_h)
    middle = BINS // 2
    return float(rest[middle : middle + 90].mean() - rest[middle - 90 : middle].mean())


def test_the_losses_of_such_a_machine_say_so():
    found = feed_by_ground(made_up(0.3, 1)[0])
    assert found.flaws["separation_loss"] == ["uncalibrated_sum", "steered_by_loss"]
