"""Noise fitted to means over bins: of the scale that it has, which bins taken for moments hide."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from chaffinch.pipelines.estimate.model.bin_means import apart
from chaffinch.pipelines.estimate.model.covariance import Observations
from chaffinch.pipelines.estimate.model.noise_fit import fit_noise
from scipy.signal import lfilter

SCALE_S, BIN_S = 30.0, 10


@pytest.fixture(scope="module")
def all_observed() -> list[Observations]:
    """Six times five hours of noise of one scale, made second by second, in means over ten seconds."""
    rng = np.random.default_rng(12)
    keep = np.exp(-1 / SCALE_S)
    found = []
    for _ in range(6):
        series = lfilter([1], [1, -keep], np.sqrt(1 - keep**2) * rng.standard_normal(18_300))[300:]
        means = series.reshape(-1, BIN_S).mean(axis=1)
        time_s, seconds = BIN_S * (np.arange(means.size) + 0.5), np.full(means.size, float(BIN_S))
        found.append(Observations(time_s, np.ones((means.size, 1)), means, 1 / seconds, seconds=seconds))
    return found


def test_the_fitted_scale_is_that_of_the_seconds(all_observed):
    """Ten thousand bins: what is known of the scale is good to a tenth."""
    assert fit_noise(all_observed).scales_s[0] == pytest.approx(SCALE_S, rel=0.1)


def test_bins_taken_for_moments_make_noise_seem_slower(all_observed):
    moments = [replace(one, seconds=None) for one in all_observed]
    assert fit_noise(moments).scales_s[0] > 1.2 * SCALE_S


def test_bins_that_overlap_are_cut_to_the_time_they_lie_in():
    """Two readings at one moment make a bin of four seconds look like five."""
    time_s, seconds = np.array([2.0, 6.0, 20.0]), np.array([5.0, 5.0, 10.0])
    cut = apart(time_s, seconds)
    assert np.all(cut <= seconds)
    assert (cut[:-1] + cut[1:]) / 2 == pytest.approx([4.0, 7.0])


def test_bins_that_lie_apart_stay_as_long_as_they_are():
    time_s, seconds = np.array([5.0, 15.0, 60.0]), np.array([10.0, 10.0, 7.0])
    assert np.array_equal(apart(time_s, seconds), seconds)
