"""Delays from logs with known truth: what arrives is made here second by second, not by the code under test."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from chaffinch.pipelines.work.delays.by_loss_and_feed import follow_lag
from chaffinch.pipelines.work.delays.lag import DEFAULT_DELAYS, Delays, Lag, pool

RNG = np.random.default_rng


def passes(seed: int, count: int = 40) -> tuple[np.ndarray, np.ndarray]:
    """Work state and speed per second: passes of 150 to 300 s, turns of 20 to 40 s, speed that wanders."""
    rng = RNG(seed)
    spans = [
        (state, int(rng.integers(*span)))
        for _ in range(count)
        for state, span in ((1, (150, 300)), (0, (20, 40)))
    ]
    working = np.concatenate([np.full(n, state) for state, n in spans])
    wander = np.convolve(rng.standard_normal(working.size + 60), np.ones(61) / 61, "valid")
    return working, 2.0 * np.exp(0.7 * wander[: working.size])


def sensor(rate: np.ndarray, dead_s: np.ndarray | float, smear_s: float) -> np.ndarray:
    """A sensor simulated parcel by parcel: each second's crop arrives whole, later by its dead time, and is
    then let through by a chamber that empties exponentially."""
    out = np.zeros(rate.size + 200)
    late = np.arange(rate.size) + np.broadcast_to(dead_s, rate.shape)
    whole = late.astype(int)
    np.add.at(out, whole, rate * (1 - (late - whole)))
    np.add.at(out, whole + 1, rate * (late - whole))
    held, seen = 0.0, np.zeros(rate.size)
    for i in range(rate.size):
        held += out[i]
        seen[i] = held * (1 - np.exp(-1 / smear_s))
        held -= seen[i]
    return seen


def crop(seed: int, seconds: int) -> np.ndarray:
    """Yield along the way, relative: swings of some 20 s."""
    noise = np.convolve(RNG(seed).standard_normal(seconds + 40), np.ones(41) / 41, "valid")[:seconds]
    return np.exp(1.0 * noise)


def follow(true_grain_s: float, grain: Lag) -> Lag | None:
    """The lag of a loss 8 s behind the header, its flow being ``true_grain_s`` behind it, by what is known of that.

    No start or stop is looked at: only swings inside passes, the loss rising with the cube of feed."""
    working, speed = passes(6)
    entering = working * speed * 9.0 * crop(7, working.size)
    flow = sensor(entering, true_grain_s - 3.0, 3.0) * (1 + 0.04 * RNG(8).standard_normal(working.size))
    drift = np.exp(
        np.convolve(RNG(9).standard_normal(working.size + 29), np.ones(30) / 8, "valid")[: working.size] * 0.3
    )
    loss = sensor(entering**3 * drift, 6.0, 2.0)
    since = np.zeros(working.size)
    for i in range(1, working.size):
        since[i] = (since[i - 1] + 1) * working[i]
    return follow_lag(flow, loss, since > 40, grain)


def test_loss_swings_with_feed_tell_the_loss_delay():
    lag = follow(14.0, Lag(14.0, 0.2))
    assert lag is not None
    assert lag.seconds == pytest.approx(8.0, abs=1.0)
    assert 0.2 < lag.error_s < 1.0


def test_a_loss_keeps_its_distance_from_a_flow_of_assumed_delay():
    """The flow is 20 s late and 12 s are assumed: 8 s less for both, which the range allows for."""
    lag = follow(20.0, DEFAULT_DELAYS.grain)
    assert lag is not None
    assert lag.seconds - DEFAULT_DELAYS.grain.seconds == pytest.approx(8.0 - 20.0, abs=1.0)
    assert lag.error_s > DEFAULT_DELAYS.grain.error_s


def test_a_loss_long_before_the_header_is_none():
    assert follow(14.0, Lag(0.0, 0.2)) is None


def days(*grain: Lag) -> list[Delays]:
    return [replace(DEFAULT_DELAYS, grain=lag) for lag in grain]


def test_days_pool_by_random_effects():
    """Three days of equal errors 1: 10, 12, 14. Q = 8, two degrees of freedom, scale 3 - 3/3 = 2, so the spread
    squared is (8 - 2) / 2 = 3 (DerSimonian and Laird 1986); each day keeps 3 / (3 + 1) of its distance from 12."""
    pooled = pool(days(Lag(10.0, 1.0), Lag(12.0, 1.0), Lag(14.0, 1.0)))
    assert [d.grain.seconds for d in pooled] == pytest.approx([10.5, 12.0, 13.5])
    assert all("season" in d.grain.ways for d in pooled)


def test_a_day_that_cannot_tell_gets_the_machines_own_mean_and_not_the_default():
    """Two equal days: no spread between them, so the third has their mean with the error of a mean of two."""
    pooled = pool(days(Lag(16.0, 0.5), Lag(16.0, 0.5), DEFAULT_DELAYS.grain))
    assert pooled[2].grain.seconds == pytest.approx(16.0)
    assert pooled[2].grain.error_s == pytest.approx(0.5 / np.sqrt(2))
    assert pooled[2].grain.estimated
    assert pooled[2].grain.ways == ("season",)


def test_where_no_day_tells_the_default_stays_and_says_so():
    pooled = pool(days(DEFAULT_DELAYS.grain, DEFAULT_DELAYS.grain))
    assert [d.grain for d in pooled] == [DEFAULT_DELAYS.grain] * 2
    assert not pooled[0].grain.estimated
