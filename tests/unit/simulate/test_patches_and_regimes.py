"""Bad patches, dew, headlands, slopes and drivers who steer by loss are what their scenarios say."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from chaffinch.pipelines.simulate import SCENARIOS, LossNoise, MachineField, simulate_season
from chaffinch.pipelines.simulate.scenario import Scenario

SILENT = LossNoise(fast_sd=0.0, slow_sd=0.0, white_sd=0.0)


def first_field(scenario: Scenario, seed: int = 3) -> MachineField:
    return simulate_season(replace(scenario, fields=1, machines=1), seed).machine_field(0)


def seconds_of_changes(made: MachineField) -> np.ndarray:
    start = made.noise.course["time"][0]
    return np.array([(time - start).total_seconds() for time in made.adjustments["time"]], dtype=int)


def test_every_change_falls_into_the_first_minute_of_a_patch():
    noise = replace(SILENT, patch_minutes=(5.0, 6.0))
    made = first_field(replace(SCENARIOS["bad_patch"], hours=3.0, noise=noise))
    course = made.noise.course["separation_noise"].to_numpy()
    assert (course == made.noise.course["cleaning_noise"].to_numpy()).all()
    at = seconds_of_changes(made)
    assert at.size == 4
    # A patch is 30 to 70 % of log loss high, comes in 15 s, and lasts five or six minutes.
    assert (course[at - 75] == 0).all() and (course[at + 20] >= 0.3).all() and (course[at + 20] <= 0.7).all()
    assert (course[at + 400] == 0).all()


def test_dew_comes_once_within_half_an_hour_and_stays():
    noise = replace(SILENT, dew_log=0.5, dew_hour=(15.0, 15.5))
    made = first_field(replace(SCENARIOS["evening_dew"], hours=4.0, start_hours=(14.0, 14.5), noise=noise))
    separation, cleaning = (
        made.noise.course[f"{loss}_noise"].to_numpy() for loss in ("separation", "cleaning")
    )
    assert (np.diff(separation) >= 0).all() and separation[0] == 0
    assert separation[-1] == pytest.approx(0.5) and cleaning[-1] == pytest.approx(0.25)
    rising = np.flatnonzero(np.diff(separation) > 0)
    assert 1790 <= np.ptp(rising) <= 1800


def test_headlands_are_cut_first_across_the_rest_and_lose_more():
    noise = replace(SILENT, headland_log=0.4)
    made = first_field(replace(SCENARIOS["headland_rounds"], hours=2.0, noise=noise))
    heading = made.readings["heading_deg"].to_numpy()
    working = made.readings["working"].to_numpy() == 1
    risen = made.noise.course["separation_noise"].to_numpy()
    assert set(np.unique(risen)) == {0.0, 0.4} and (np.diff(risen) <= 0).all()
    on, off = (np.unique(heading[working & (risen == level)] % 180.0) for level in (0.4, 0.0))
    assert abs(np.median(on) - np.median(off)) == pytest.approx(90.0, abs=1.0)
    assert 2400 <= np.flatnonzero(risen)[-1] <= 3000


def test_uphill_moves_the_two_losses_apart():
    noise = replace(SILENT, uphill_log_per_deg=0.08)
    made = first_field(replace(SCENARIOS["slope_direction"], hours=1.0, noise=noise))
    separation, cleaning = (
        made.noise.course[f"{loss}_noise"].to_numpy() for loss in ("separation", "cleaning")
    )
    np.testing.assert_allclose(cleaning, -2 * separation)
    pitch = made.readings["pitch_deg"].to_numpy()
    # The log's pitch has an error of 0.2 degrees.
    assert np.std(pitch - cleaning / 0.08) == pytest.approx(0.2, abs=0.02)


@pytest.mark.parametrize("power", [0.0, 0.3])
def test_a_driver_who_steers_goes_slower_after_loss(power):
    plain = SCENARIOS["steers_by_loss"]
    made = first_field(replace(plain, hours=3.0, operator=replace(plain.operator, steers_by_loss=power)))
    course = made.noise.course
    speed = made.readings["speed_m_s"].to_numpy()
    # Getting going and stopping is none of it.
    steady = (made.readings["working"].to_numpy() == 1) & (speed > 0.7 * np.median(speed))
    steady[:1200] = False
    judged = (course["separation_noise"] + course["cleaning_noise"]).to_numpy() / 2
    judged = judged + (course["separation_effect"] + course["cleaning_effect"]).to_numpy() / 2
    past = np.convolve(judged, np.ones(20) / 20, "full")[: judged.size]
    usual = np.convolve(judged, np.ones(1200) / 1200, "full")[: judged.size]
    slope = np.polyfit(np.roll(past - usual, 8)[steady], np.log(speed[steady]), 1)[0]
    # Two windows of the same past stand for what he judges, so that the slope is near his power, not equal to it.
    assert slope == pytest.approx(-power, abs=0.1)
