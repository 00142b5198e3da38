"""Powers of the loss with which signals go: their likelihood, what checks settle, what is made of the bins."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from chaffinch.pipelines.estimate.data.bins import Binned
from chaffinch.pipelines.estimate.results.calibration import calibrate
from chaffinch.pipelines.estimate.results.gain_drift import DAY_S, DRIFT_PRIOR, DRIFTS
from chaffinch.pipelines.estimate.signals.exponents import (
    APART,
    APART_PRIOR,
    LIKELY_ERRORS,
    LOG_POWERS,
    SETTLED,
    SIGNAL_ERROR_LOG,
    UNCHECKED,
    log_likelihood,
    powers_of,
    straightened,
)
from scipy import stats

A = ("A", "wheat")


def checks(rng: np.random.Generator, power: float, count: int, spread: float = 0.5, error: float = 0.25):
    """Kg/s by pans, signals, moments: one check a quarter of a day, loss = 0.002 x signal^power."""
    signal = 20 * np.exp(spread * rng.standard_normal(count))
    lost = 0.002 * signal**power * np.exp(error * rng.standard_normal(count))
    return np.column_stack([lost, signal, DAY_S / 4 * np.arange(count)])


def test_the_likelihood_is_that_of_a_level_with_errors():
    """Held against the restricted likelihood of the dense covariance: its contrasts are normal (Harville 1974)."""
    pairs = checks(np.random.default_rng(1), 1.3, 7)
    found = log_likelihood(pairs)
    days, signal = pairs[:, 2] / DAY_S, np.log(pairs[:, 1])
    along = (1 - SIGNAL_ERROR_LOG**2 / signal.var(ddof=1)) * (signal - signal.mean())
    contrasts = np.diff(np.eye(7), axis=0)

    def dense(log_power: float) -> float:
        rest = contrasts @ (np.log(pairs[:, 0]) - np.exp(log_power) * along)
        total = 0.0
        for error in LIKELY_ERRORS:
            for drift, weight in zip(DRIFTS, DRIFT_PRIOR, strict=True):
                walk = drift**2 * np.minimum.outer(days, days) + error**2 * np.eye(7)
                normal = stats.multivariate_normal(np.zeros(6), contrasts @ walk @ contrasts.T)
                total += weight * normal.pdf(rest)
        return float(np.log(total))

    at = [10, 30, 45]
    ours, theirs = found[at] - found[30], np.array([dense(LOG_POWERS[i]) for i in at])
    np.testing.assert_allclose(ours, theirs - theirs[1], atol=1e-6)


def test_ranges_of_powers_drawn_from_the_prior_hold_them():
    """600 machines of 200 farms: 95 % ranges hold 93 to 98.5 %, and the mean square error is that stated."""
    rng = np.random.default_rng(2)
    held, scores = [], []
    for _ in range(200):
        apart = rng.choice(APART, p=APART_PRIOR)
        middle = np.sqrt(0.75) * apart * rng.standard_normal()
        logs = middle + 0.5 * apart * rng.standard_normal(3)
        farm = {(str(i), None): [checks(rng, float(np.exp(one)), 12)] for i, one in enumerate(logs)}
        for (i, _), power in powers_of(farm).items():
            miss = power.log - logs[int(i)]
            held.append(abs(miss) < 1.96 * power.error)
            scores.append(miss**2 / power.error**2)
    assert 0.93 < np.mean(held) < 0.985
    assert np.mean(scores) == pytest.approx(1.0, abs=0.25)


def test_without_checks_the_prior_stands_and_one_machine_tells_of_another():
    many = checks(np.random.default_rng(3), 1.4, 40)
    assert powers_of({A: []})[A].error == pytest.approx(UNCHECKED.error, rel=0.02)
    assert powers_of({A: []})[A].log == pytest.approx(0.0, abs=1e-9)
    found = powers_of({A: [many], ("B", "wheat"): []})
    assert found[A].value == pytest.approx(1.4, abs=0.1)
    assert 1.2 < found["B", "wheat"].value < found[A].value
    assert found["B", "wheat"].error > 1.5 * found[A].error
    assert found[A].doubts == ("signal_bends",)


def test_six_checks_three_of_them_at_three_times_the_loss_settle_it():
    """As the sentence of ``signal_may_bend`` asks for; six at about the same loss do not."""
    rng = np.random.default_rng(4)
    apart = np.repeat([1.0, 3.0], 3) * np.exp(0.1 * rng.standard_normal(6))
    lost = 0.04 * apart * np.exp(0.2 * rng.standard_normal(6))
    wide = np.column_stack([lost, 20 * apart, DAY_S * np.arange(6) / 20])
    near = checks(rng, 1.0, 6, spread=0.15)
    assert powers_of({A: [wide]})[A].by_checks < SETTLED
    assert powers_of({A: [wide]})[A].doubts == ()
    assert powers_of({A: [near]})[A].doubts == ("signal_may_bend",)


def test_straightened_signals_go_in_proportion_to_the_loss():
    """Two signals of loss^0.7: after it effects are in proportion, and one gain weighs the sum at any level."""
    rng = np.random.default_rng(5)
    lost = {place: 0.03 * np.exp(0.5 * rng.standard_normal(200)) for place in ("separation", "cleaning")}
    signal = {place: 25 * (one / 0.03) ** 0.7 for place, one in lost.items()}
    feed = 30 * np.exp(0.1 * rng.standard_normal(200))
    kept, total = np.log(feed / 3.6), sum(signal.values())
    binned = _bins(feed, {
        "separation_loss": np.log(signal["separation"]) - kept,
        "cleaning_loss": np.log(signal["cleaning"]) - kept,
        "machine_loss": np.log(total) - kept,
    }, total)  # fmt: skip
    weighed = sum(lost.values())[::5] * np.exp(0.05 * rng.standard_normal(40))
    seen = total[::5] * np.exp(SIGNAL_ERROR_LOG * rng.standard_normal(40))
    pairs = np.column_stack([weighed, seen, DAY_S / 10 * np.arange(40)])
    made = straightened([binned], {A: [pairs]})
    power = made.powers[A].value
    assert power == pytest.approx(1 / 0.7, abs=0.2)
    (one,) = made.fields
    for place in lost:
        slope = np.polyfit(np.log(lost[place]), one.outcomes[f"{place}_loss"] + kept, 1)[0]
        assert slope == pytest.approx(0.7 * power)
    np.testing.assert_allclose(one.outcomes["machine_loss"] + kept, np.log(one.loss_signal))
    assert np.exp(np.log(one.loss_signal).mean()) == pytest.approx(np.exp(np.log(total).mean()), rel=0.05)
    (moved,) = made.pairs[A]
    assert np.polyfit(np.log(moved[:, 1]), np.log(moved[:, 0]), 1)[0] == pytest.approx(1.0, abs=0.2)
    gain = calibrate(moved)
    assert gain is not None
    level = np.exp(gain.log_kg_s_per_unit) * one.loss_signal.mean()
    assert level == pytest.approx(sum(lost.values()).mean(), rel=0.05)
    # What was given stays as it was.
    assert pairs[0, 1] == seen[0] and binned.loss_signal is total


def test_losses_in_kilograms_stay_as_they_are():
    feed, loss = np.full(5, 30.0), np.zeros(5)
    binned = replace(_bins(feed, {"machine_loss": loss}, np.ones(5)), calibrated=True)
    made = straightened([binned], {A: [checks(np.random.default_rng(6), 1.4, 30)]})
    assert made.fields[0] is binned


def _bins(feed: np.ndarray, outcomes: dict[str, np.ndarray], signal: np.ndarray) -> Binned:
    n = feed.size
    time_s, one, none = 10.0 * np.arange(n), np.ones(n), np.zeros(n)
    return Binned(
        "A", None, "wheat", [], time_s, 10 * one, none.astype(int), 60 * one, 60 * one, feed, 14 * one, none,
        none, none, none, 15 * one, signal, outcomes, {name: [] for name in outcomes}, False,
    )  # fmt: skip
