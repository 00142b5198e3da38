"""Ground, noise, sensors and drive of the simulator, each by itself."""

from __future__ import annotations

import numpy as np
import pytest
from chaffinch.pipelines.simulate import SCENARIOS, simulate_season
from chaffinch.pipelines.simulate.loss_noise import exponential_drift, many_scales
from chaffinch.pipelines.simulate.sensors import flow_dependent, held, transported
from chaffinch.pipelines.simulate.simulated_crops import ADJUSTABLES, JOINT_GROUPS
from chaffinch.pipelines.simulate.surface import Place, random_surface
from chaffinch.pipelines.work.series import smeared
from chaffinch.schemas.declarations import settings


def test_adjustables_are_those_of_the_catalogue():
    """Kind, unit, step and positions must be the catalogue's, or truth per step means something else."""
    catalogue = settings()
    for name, adjustable in ADJUSTABLES.items():
        declared = catalogue[name]
        assert adjustable.kind == declared.kind, name
        assert adjustable.unit == declared.unit, name
        assert adjustable.positions == tuple(p for p in declared.positions if p in adjustable.positions), name
        if declared.kind == "number":
            assert adjustable.step == declared.step, name
            assert declared.low <= adjustable.low < adjustable.high <= declared.high, name
    assert {name for group in JOINT_GROUPS for name in group} <= set(ADJUSTABLES)


def test_surface_has_the_stated_correlation():
    """Mean of many surfaces: variance 1 and correlation exp(-d / L) at one and two lengths."""
    rng = np.random.default_rng(1)
    made = np.stack([random_surface(rng, (24, 24), 10.0, 40.0) for _ in range(600)])
    assert made.var() == pytest.approx(1.0, abs=0.08)
    for cells, expected in ((4, np.exp(-1)), (8, np.exp(-2))):
        assert (made[:, :-cells, :] * made[:, cells:, :]).mean() == pytest.approx(expected, abs=0.06)


def test_drift_has_the_stated_scale():
    rng = np.random.default_rng(2)
    made = np.stack([exponential_drift(rng, 200, 30.0) for _ in range(3000)])
    # 3000 independent series: the standard error of a covariance of unit normals is sqrt(2 / 3000) = 0.026.
    assert made[:, 0].var() == pytest.approx(1.0, abs=0.1)
    assert made[:, -1].var() == pytest.approx(1.0, abs=0.1)
    assert (made[:, 100] * made[:, 130]).mean() == pytest.approx(np.exp(-1), abs=0.1)


def test_many_scales_is_close_to_one_over_f():
    """Slope of the log periodogram from 1/2000 to 1/60 Hz; 1/f is -1. (Shortest scale 5 s, corner 1/31 Hz)"""
    rng = np.random.default_rng(3)
    n = 16384
    power = np.mean([np.abs(np.fft.rfft(many_scales(rng, n))) ** 2 for _ in range(30)], axis=0)
    frequency = np.fft.rfftfreq(n)
    inside = (frequency > 1 / 2000) & (frequency < 1 / 60)
    slope = np.polyfit(np.log(frequency[inside]), np.log(power[inside]), 1, w=1 / np.sqrt(frequency[inside]))[
        0
    ]
    assert slope == pytest.approx(-1.0, abs=0.12)


def test_a_pulse_arrives_after_its_dead_time():
    pulse = np.zeros(60)
    pulse[10] = 5.0
    whole = transported(pulse, 7.0, 1e-9)
    assert np.flatnonzero(whole > 1e-9).tolist() == [17]
    assert whole[17] == pytest.approx(5.0)
    half = transported(pulse, 7.5, 1e-9)
    assert half[17:19] == pytest.approx([2.5, 2.5])


def test_smearing_is_first_order():
    """63.2 % of a step after one time constant: 1 - exp(-1)."""
    step = smeared(np.ones(50), 10.0)
    assert step[9] == pytest.approx(1 - np.exp(-1), abs=1e-12)


def test_mass_is_kept_when_the_dead_time_varies():
    rng = np.random.default_rng(4)
    rate = np.concatenate([rng.uniform(4, 12, 400), np.zeros(100)])
    delay = flow_dependent(12.0, rate / 8.0, 0.4)
    assert transported(rate, delay, 3.0).sum() == pytest.approx(rate.sum(), rel=1e-9)
    assert delay[300] < 12.0 * 0.6**-0.4


def test_held_keeps_the_last_value():
    series, present = np.array([1.0, 2.0, 3.0, 4.0]), np.array([False, True, False, True])
    assert held(series, present).tolist() == [2.0, 2.0, 2.0, 4.0]


@pytest.mark.seconds
@pytest.mark.parametrize("sensor", ["grain_flow_kg_s", "separation_loss_signal", "cleaning_loss_signal"])
def test_logged_delays_are_those_of_the_machine(sensor):
    """Best lag of the log behind what entered or was lost, by cross-correlation, against the stated delay.

    A first-order lag shifts the peak by somewhat less than its time constant, so between the dead time and
    the dead time plus it, with a second for the grid.
    """
    season = simulate_season("plain", 12)
    for index in range(3):
        field = season.machine_field(index)
        instruments = field.machine.instruments
        cause = {
            "grain_flow_kg_s": ("kept_kg_s", instruments.grain_delay_s, instruments.grain_smear_s),
            "separation_loss_signal": (
                "separation_lost_kg_s",
                instruments.loss_delay_s["separation"],
                instruments.loss_smear_s,
            ),
            "cleaning_loss_signal": (
                "cleaning_lost_kg_s",
                instruments.loss_delay_s["cleaning"],
                instruments.loss_smear_s,
            ),
        }[sensor]
        source = field.noise.course[cause[0]].to_numpy()
        logged = field.readings[sensor].to_numpy()
        source, logged = source - source.mean(), logged - logged.mean()
        fit = [np.dot(source[: source.size - lag], logged[lag:]) for lag in range(40)]
        assert cause[1] - 1.0 <= np.argmax(fit) <= cause[1] + cause[2] + 1.0


def test_loss_signal_is_proportional_to_lost_mass():
    """Mean signal over a field / mean loss = gain; counting noise averages out (a million kernels)."""
    field = simulate_season("plain", 13).machine_field(0)
    lost, signal = field.noise.course["cleaning_lost_kg_s"], field.readings["cleaning_loss_signal"]
    assert signal.mean() / lost.mean() == pytest.approx(
        field.machine.instruments.loss_gain["cleaning"], rel=0.01
    )


def test_drive_goes_back_and_forth_inside_the_boundary():
    field = simulate_season("plain", 14).machine_field(0)
    readings, ring = field.readings, np.array(field.boundary)
    working = readings["working"].to_numpy()
    turns = np.flatnonzero(np.diff(working) == -1)
    assert turns.size > 20
    assert 0.85 < working.mean() < 0.98
    for name, axis in (("longitude", 0), ("latitude", 1)):
        assert ring[:, axis].min() - 2e-5 <= readings[name].min()
        assert readings[name].max() <= ring[:, axis].max() + 2e-5
    ends = np.flatnonzero(np.diff(working, append=working[-1]) == 1)
    lengths = [end - start for start, end in zip(turns, ends[ends > turns[0]], strict=False)]
    assert min(lengths) >= 18 and max(lengths) <= 42


def test_logged_speed_is_that_of_the_positions():
    """Distance between positions 1 s apart, on a sphere of 6371 km, against the logged speed at work."""
    readings = simulate_season("plain", 15).machine_field(1).readings
    north = np.diff(readings["latitude"].to_numpy()) * np.pi / 180 * 6.371e6
    shrink = np.cos(np.deg2rad(52.3))
    east = np.diff(readings["longitude"].to_numpy()) * np.pi / 180 * 6.371e6 * shrink
    speed = readings["speed_m_s"].to_numpy()
    inside = np.convolve(readings["working"].to_numpy(), np.ones(61), "same")[1:] == 61
    inside &= np.convolve(speed > 0.5, np.ones(61), "same")[1:] == 61
    assert np.abs(np.hypot(north, east)[inside] / speed[1:][inside] - 1.0).mean() < 0.02


def test_heading_is_the_direction_of_the_positions():
    readings = simulate_season("plain", 16).machine_field(2).readings
    north = np.diff(readings["latitude"].to_numpy())
    east = np.diff(readings["longitude"].to_numpy()) * np.cos(np.deg2rad(52.3))
    moving = (readings["working"].to_numpy()[1:] == 1) & (readings["speed_m_s"].to_numpy()[1:] > 1.0)
    moving &= readings["working"].to_numpy()[:-1] == 1
    off = np.rad2deg(np.arctan2(east, north)) - readings["heading_deg"].to_numpy()[1:]
    assert np.abs((off[moving] + 180) % 360 - 180).max() < 2.0


def test_uphill_pitch_and_right_down_roll():
    """Signs by the ground itself: height gained along the way, and the opposite roll on the way back."""
    readings = simulate_season("plain", 17).machine_field(0).readings
    climb = np.diff(readings["altitude_m"].to_numpy())
    pitch = readings["pitch_deg"].to_numpy()[1:]
    inside = np.convolve(readings["working"].to_numpy(), np.ones(41), "same")[1:] == 41
    slope = np.rad2deg(np.arctan2(climb, readings["speed_m_s"].to_numpy()[1:]))
    moving = inside & (readings["speed_m_s"].to_numpy()[1:] > 1.0)
    assert np.corrcoef(slope[moving], pitch[moving])[0, 1] > 0.9
    assert np.abs(readings["roll_deg"].mean()) < np.abs(readings["roll_deg"]).mean()


def test_place_turns_clockwise_from_north():
    """A field whose y axis bears 90 deg lies east of its origin."""
    latitude, longitude = Place(52.0, 1.0, 90.0, 0.0).to_globe(np.array([0.0]), np.array([100.0]))
    assert latitude[0] == pytest.approx(52.0, abs=1e-9)
    assert longitude[0] > 1.001


def test_every_scenario_has_its_own_name_and_a_sentence():
    assert all(name == scenario.name for name, scenario in SCENARIOS.items())
    sentences = [scenario.description for scenario in SCENARIOS.values()]
    assert len(set(sentences)) == len(sentences)
    assert all(sentence.endswith(".") and len(sentence) < 120 for sentence in sentences)
