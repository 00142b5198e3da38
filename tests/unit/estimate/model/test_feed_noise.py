"""The flow sensor's own noise: found by differences, and no longer laid to the settings."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from chaffinch.pipelines.estimate import prepare, real_adjustments
from chaffinch.pipelines.estimate.model.feed_noise import second_variance, without_sensor_noise
from chaffinch.pipelines.simulate import SCENARIOS, simulate_season
from scipy.signal import lfilter

NOISE_SD = 0.04


def smeared_flow(rng: np.random.Generator, n: int) -> np.ndarray:
    """Crop of uneven ground, an exponential correlation of 20 s, after three seconds of smearing; 1 Hz."""
    keep = np.exp(-1 / 20)
    crop = lfilter([1], [1, -keep], 0.16 * np.sqrt(1 - keep**2) * rng.standard_normal(n))
    late = np.exp(-1 / 3)
    return 8 * lfilter([1 - late], [1, -late], np.exp(crop))[100:]


def logged_every(interval: int, noise_sd: float) -> float:
    """What is found in means over ``interval`` seconds of the same crop under noise of ``noise_sd`` a second."""
    rng = np.random.default_rng(4)
    flow = smeared_flow(rng, 20_100) * (1 + noise_sd * rng.standard_normal(20_000))
    means = flow.reshape(-1, interval).mean(axis=1)
    return second_variance(means, np.zeros(means.size), float(interval))


@pytest.mark.parametrize("interval", [1, 2, 5])
def test_the_noise_of_a_second_is_found_on_top_of_what_the_crop_does(interval):
    """Variances of independent parts add; a median of 20,000 to 4,000 differences is good to a few per cent."""
    crop = logged_every(interval, 0.0)
    assert logged_every(interval, NOISE_SD) - crop == pytest.approx(NOISE_SD**2, rel=0.1)


@pytest.mark.parametrize(("interval", "share"), [(1, 0.05), (2, 0.25)])
def test_at_one_or_two_seconds_the_crop_is_hardly_taken_for_noise(interval, share):
    assert logged_every(interval, 0.0) < share * NOISE_SD**2


def test_too_little_work_gives_no_noise():
    flow = 8 + np.random.default_rng(4).standard_normal(400)
    assert second_variance(flow, np.arange(400) // 5, 1.0) == 0.0
    assert second_variance(flow[:4], np.zeros(4), 1.0) == 0.0


def test_stops_of_the_flow_are_no_noise():
    rng = np.random.default_rng(4)
    flow = smeared_flow(rng, 5_100) * (1 + NOISE_SD * rng.standard_normal(5_000))
    flow[::500] = 0.0
    assert second_variance(flow, np.zeros(flow.size), 1.0) == pytest.approx(NOISE_SD**2, rel=0.15)


@pytest.fixture(scope="module")
def field():
    made = simulate_season(SCENARIOS["plain"], 5).machine_field(0)
    binned, _ = prepare(made.readings, real_adjustments(made.adjustments.with_row_index("row")))
    return binned


@pytest.mark.seconds
def test_the_feed_rate_to_be_expected_lies_nearer_to_the_true_one(field):
    """Further noise of 25 % a second, 8 % a bin, of about the size of what the crop itself does between bins."""
    rng = np.random.default_rng(7)
    error = 0.25 * rng.standard_normal(field.feed_t_h.size) / np.sqrt(field.seconds)
    noisy = replace(field, feed_t_h=field.feed_t_h * np.exp(error))
    result = without_sensor_noise(noisy, 0.25**2)
    left = np.log(result.feed_t_h / field.feed_t_h)
    assert np.var(left) < 0.75 * np.var(error)
    # What was taken out is part of the noise, whatever the crop did.
    taken = np.log(noisy.feed_t_h / result.feed_t_h)
    assert np.corrcoef(taken, error)[0, 1] > 0.6


def test_loss_shares_are_at_the_same_feed_rate_and_throughput_as_driven(field):
    result = without_sensor_noise(field, 0.01)
    taken = np.log(field.feed_t_h / result.feed_t_h)
    for name in ("separation_loss", "cleaning_loss", "machine_loss"):
        np.testing.assert_allclose(result.outcomes[name] - field.outcomes[name], taken, atol=1e-12)
    assert np.array_equal(result.outcomes["throughput"], field.outcomes["throughput"])


@pytest.mark.parametrize("variance", [0.0, -1.0])
def test_without_noise_nothing_changes(field, variance):
    assert without_sensor_noise(field, variance) is field


@pytest.mark.seconds
def test_noise_of_the_flow_makes_no_effect_of_a_change_of_speed():
    """The loss of a field of no effects rises with the cube of the feed rate, which rises at each change by 8 %.

    Flow as logged has 12 % of noise a second; the mean of all steps shows what of the rise is laid to them.
    """
    from chaffinch.pipelines.estimate.data.design import build_design
    from chaffinch.pipelines.prove.oracle import generalised_least_squares
    from chaffinch.pipelines.prove.oracle_covariance import binned_covariance, time_scales

    scenario = SCENARIOS["speed_up"]
    laid: dict[str, list[float]] = {"as logged": [], "to be expected": []}
    rng = np.random.default_rng(11)
    for index in range(3):
        made = simulate_season(scenario, 8).machine_field(index)
        binned, _ = prepare(made.readings, real_adjustments(made.adjustments.with_row_index("row")))
        log_signal = 3 * np.log(binned.feed_t_h)
        error = 0.12 * rng.standard_normal(binned.feed_t_h.size) / np.sqrt(binned.seconds)
        logged = replace(
            binned,
            feed_t_h=binned.feed_t_h * np.exp(error),
            outcomes={"separation_loss": log_signal - np.log(binned.feed_t_h) - error},
        )
        for name, one in (("as logged", logged), ("to be expected", without_sensor_noise(logged, 0.12**2))):
            design = build_design(one, "separation_loss")
            covariance = binned_covariance(
                one.time_s[design.use], one.seconds[design.use], time_scales(scenario.noise), 0.01
            )
            _, found, _ = generalised_least_squares(
                covariance, design.columns, one.outcomes["separation_loss"][design.use]
            )
            laid[name] += list(found[: len(design.steps)])
    wrong, right = (float(np.mean(values)) for values in laid.values())
    assert wrong > 0.03
    assert abs(right) < wrong / 2
