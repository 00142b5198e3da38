"""The stated truth against what the simulated machine really lost."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from chaffinch.pipelines.simulate import SCENARIOS, LossNoise, Operator, simulate_season
from chaffinch.pipelines.simulate.loss_model import (
    Conditions,
    LossCurve,
    capacity_log_ratio,
    machine_log_ratio,
)

SILENT = LossNoise(fast_sd=0.0, slow_sd=0.0, white_sd=0.0)


def one_value(x: float) -> np.ndarray:
    return np.array([x])


def test_hand_worked_machine_loss_and_capacity():
    """Separation 1 %, cleaning 2 % at the rated 10 kg/s, both as feed squared; the change halves separation.

    Machine loss: (0.005 + 0.02) / 0.03 = 0.8333. Capacity: 0.025 r^2 = 0.03, so r = sqrt(1.2).
    Arithmetic by hand, from the definitions alone.
    """
    curves = {
        "separation": LossCurve("power", 0.01, 10.0, 2.0, 14.0, 0.07, 0.01),
        "cleaning": LossCurve("power", 0.02, 10.0, 2.0, 14.0, 0.04, 0.02),
    }
    at = Conditions(10.0, 14.0, 0.0)
    before = {"separation": one_value(0.0), "cleaning": one_value(0.0)}
    after = {"separation": one_value(np.log(0.5)), "cleaning": one_value(0.0)}
    assert machine_log_ratio(curves, at, before, after)[0] == pytest.approx(np.log(0.025 / 0.03), abs=1e-12)
    assert capacity_log_ratio(curves, at, before, after)[0] == pytest.approx(0.5 * np.log(1.2), abs=1e-9)
    assert capacity_log_ratio(curves, at, before, before)[0] == 0.0


def test_capacity_is_not_a_number_where_the_share_cannot_be_reached():
    """A quadratic curve has a floor; 20 times the loss at once lies above any earlier share down to it."""
    curve = LossCurve("quadratic", 0.01, 10.0, 1.0, 14.0, 0.0, 0.0)
    curves = {"separation": curve, "cleaning": curve}
    before = {loss: one_value(0.0) for loss in curves}
    after = {loss: one_value(np.log(20.0)) for loss in curves}
    assert np.isnan(capacity_log_ratio(curves, Conditions(10.0, 14.0, 0.0), before, after)[0])


@pytest.mark.parametrize(("kind", "steepness"), [("power", 2.2), ("exponential", 2.2), ("quadratic", 1.4)])
def test_steepness_is_the_log_log_slope_at_the_rated_feed(kind, steepness):
    """d ln(share) / d ln(feed) by central difference, at the rated feed rate."""
    curve = LossCurve(kind, 0.01, 10.0, steepness, 14.0, 0.07, 0.01)
    h = 1e-4
    feed = 10.0 * np.exp(np.array([-h, h]))
    low, high = curve.log_share(feed, np.full(2, 14.0), np.zeros(2))
    assert (high - low) / (2 * h) == pytest.approx(steepness, rel=1e-5)
    assert curve.log_share(one_value(10.0), one_value(14.0), one_value(0.0))[0] == pytest.approx(np.log(0.01))


@pytest.mark.seconds
@pytest.mark.parametrize("name", ["plain", "joint_always", "many_adjustments", "unlogged"])
def test_steps_recovered_from_what_was_lost(name):
    """Without noise, ln(lost / entered) is linear in ln(feed), moisture, roll squared and a step an
    adjustment (power curve): least squares on the lost and entered mass gives the truth to rounding."""
    season = simulate_season(replace(SCENARIOS[name], noise=SILENT, hours=4.0), 11)
    field = season.machine_field(1)
    course = field.noise.course.filter(pl.col("entered_kg_s") > 1.0)
    moments = field.truth.filter(pl.col("outcome") == "separation_loss")["time"].to_list()
    for loss in ("separation", "cleaning"):
        steps = [(course["time"] >= moment).cast(pl.Float64).to_numpy() for moment in moments]
        design = np.column_stack(
            [
                np.ones(course.height),
                np.log(course["entered_kg_s"].to_numpy()),
                course["moisture_pct"].to_numpy() - 14.0,
                course["roll_deg"].to_numpy() ** 2,
                *steps,
            ]
        )
        share = course[f"{loss}_lost_kg_s"].to_numpy() / course["entered_kg_s"].to_numpy()
        found, *_ = np.linalg.lstsq(design, np.log(share), rcond=None)
        true = field.truth.filter(pl.col("outcome") == f"{loss}_loss")
        seen = np.array([step.any() and not step.all() for step in steps])
        # Moves 4 to 30 s apart in a turn, where no crop enters, can't be separated: compare their sums.
        groups = np.array([step.sum() for step in steps])
        for size in np.unique(groups[seen]):
            same = groups == size
            assert found[4:][same].sum() == pytest.approx(
                true["own_log_ratio"].to_numpy()[same].sum(), abs=1e-8
            )


def test_machine_loss_and_capacity_from_the_curves_of_the_field():
    """Both worked out again from the parts: shares summed by plain arithmetic at the mean conditions."""
    field = simulate_season("plain", 4).machine_field(2)
    at, curves = field.noise.conditions, field.noise.curves
    state = {"separation": 0.0, "cleaning": 0.0}

    def machine_share(feed: float) -> float:
        total = 0.0
        for loss, curve in curves.items():
            r = feed / curve.rated_feed_kg_s
            damp = curve.moisture_per_point * (at.moisture_pct - curve.rated_moisture_pct)
            total += (
                curve.base_share
                * r**curve.steepness
                * np.exp(damp + curve.roll_per_deg2 * at.roll_deg**2 + state[loss])
            )
        return total

    for moment in field.truth["time"].unique().sort():
        rows = field.truth.filter(pl.col("time") == moment)
        value = dict(zip(rows["outcome"], rows["log_ratio"], strict=True))
        before = machine_share(at.feed_kg_s)
        state["separation"] += value["separation_loss"]
        state["cleaning"] += value["cleaning_loss"]
        assert np.log(machine_share(at.feed_kg_s) / before) == pytest.approx(value["machine_loss"], abs=1e-9)
        assert machine_share(at.feed_kg_s * np.exp(value["capacity"])) == pytest.approx(before, rel=1e-7)


def test_a_joint_change_carries_the_sum_and_each_setting_its_own():
    truth = simulate_season("joint_always", 5).machine_field(0).truth
    assert truth["joint_id"].null_count() == 0
    for _, rows in truth.filter(pl.col("outcome") == "cleaning_loss").group_by("joint_id"):
        assert 2 <= rows.height <= 3
        assert (rows["time"].max() - rows["time"].min()).total_seconds() <= 30
        assert rows["log_ratio"].n_unique() == 1
        assert rows["own_log_ratio"].sum() == pytest.approx(rows["log_ratio"][0])


def test_there_and_back_undoes_itself():
    scenario = replace(SCENARIOS["plain"], adjustments=2, operator=Operator(there_and_back_share=1.0))
    truth = simulate_season(scenario, 2).machine_field(0).truth
    for outcome in ("separation_loss", "cleaning_loss", "machine_loss"):
        there, back = truth.filter(pl.col("outcome") == outcome)["log_ratio"]
        assert there == pytest.approx(-back)


@pytest.mark.parametrize("name", ["plain", "everything", "speed_up", "one_over_f"])
def test_what_enters_is_kept_or_lost(name):
    field = simulate_season(name, 3).machine_field(1)
    course = field.noise.course
    out = course["kept_kg_s"] + course["separation_lost_kg_s"] + course["cleaning_lost_kg_s"]
    assert np.allclose(out, course["entered_kg_s"], atol=1e-12)
    for part in ("kept_kg_s", "separation_lost_kg_s", "cleaning_lost_kg_s", "entered_kg_s"):
        assert course[part].min() >= 0.0
    standing = field.readings["working"].to_numpy() == 0
    assert course["entered_kg_s"].to_numpy()[standing].max() == 0.0


def naive_log_ratio(field, outcome: str, minutes: float) -> np.ndarray:
    """ln(mean signal after / before) within so many minutes, by adjustment."""
    readings = field.readings.filter(pl.col("working") == 1)
    found = []
    for moment in field.truth.filter(pl.col("outcome") == f"{outcome}_loss")["time"]:
        since = ((readings["time"] - moment).dt.total_microseconds() / 6e7).to_numpy()
        signal = readings[f"{outcome}_loss_signal"].to_numpy()
        before = signal[(since > -minutes) & (since < 0)].mean()
        after = signal[(since > 1) & (since < minutes)].mean()
        found.append(np.log(after / before))
    return np.array(found)


def slowed_and_not() -> list[tuple]:
    """Machine-fields whose driver slows down by about 10 % at each of three moments, each with its twin (same
    ground, same wandering, same moments) in which he does not. Even crop, no noise, no effects."""
    moments = tuple((minute, (("spreader_speed", step),)) for minute, step in ((60, 1), (110, -1), (160, 1)))
    script = Operator(script=(moments,) * 6)
    slowed = replace(
        SCENARIOS["slow_down"],
        noise=SILENT,
        yield_sd=0.0,
        effects=SCENARIOS["no_effect"].effects,
        separation_steepness=(2.0, 2.0),
        operator=replace(script, speed_change_log=-0.1),
    )
    seasons = [simulate_season(s, 8) for s in (slowed, replace(slowed, operator=script))]
    return [tuple(season.machine_field(index) for season in seasons) for index in range(6)]


@pytest.mark.seconds
def test_naive_bias_of_a_change_of_speed_is_one_plus_the_slope():
    """The bias derived in ``truth``: a speed change of d alone shows as (1 + s) d, here 3 d."""
    naive, driven = [], []
    for slowed, twin in slowed_and_not():
        true = slowed.truth.filter(pl.col("outcome") == "separation_loss")["log_ratio"]
        assert (true == 0).all()
        naive.append(naive_log_ratio(slowed, "separation", 10.0) - naive_log_ratio(twin, "separation", 10.0))
        driven.append(slowed.truth.filter(pl.col("outcome") == "throughput")["log_ratio"].to_numpy())
    # Left over: twins are not at the same spot after the change, so wandering and drying differ a little.
    assert np.concatenate(naive).mean() / np.concatenate(driven).mean() == pytest.approx(3.0, abs=0.3)


def entered_log_ratio(field, minutes: float) -> np.ndarray:
    course = field.noise.course
    at_work = course.filter(pl.col("entered_kg_s") > 0.7 * course["entered_kg_s"].median())
    found = []
    for moment in field.truth.filter(pl.col("outcome") == "throughput")["time"]:
        since = ((at_work["time"] - moment).dt.total_microseconds() / 6e7).to_numpy()
        entered = at_work["entered_kg_s"].to_numpy()
        before = entered[(since < 0) & (since > -minutes)].mean()
        found.append(np.log(entered[(since > 0) & (since < minutes)].mean() / before))
    return np.array(found)


@pytest.mark.seconds
def test_throughput_is_the_change_as_driven():
    """Grain entering at work, ln(mean after / before), against the stated throughput, less the twin's."""
    pairs = slowed_and_not()
    seen = np.concatenate([entered_log_ratio(a, 8.0) - entered_log_ratio(b, 8.0) for a, b in pairs])
    stated = np.concatenate(
        [a.truth.filter(pl.col("outcome") == "throughput")["log_ratio"].to_numpy() for a, _ in pairs]
    )
    assert seen.mean() == pytest.approx(stated.mean(), abs=0.012)


def noise_around_adjustments(name: str) -> tuple[np.ndarray, np.ndarray]:
    """Mean noise (of both losses) in the 3 min before and after each adjustment of twelve fields."""
    season, before, after = simulate_season(name, 9), [], []
    for index in range(12):
        field = season.machine_field(index)
        course = field.noise.course
        noise = (course["separation_noise"].to_numpy() + course["cleaning_noise"].to_numpy()) / 2
        for moment in field.truth["time"].unique():
            second = int((moment - course["time"][0]).total_seconds())
            before.append(noise[second - 180 : second].mean())
            after.append(noise[second : second + 180].mean())
    return np.array(before), np.array(after)


@pytest.mark.seconds
def test_reaction_to_spikes_shows_as_a_fall_that_is_not_there():
    """Regression to the mean: what made the operator react decays by itself; chance adjustments see none.

    48 adjustments each; the standard error of a mean of noise over 3 min is 0.17 / sqrt(48) = 0.025.
    """
    before, after = noise_around_adjustments("reactive_null")
    assert before.mean() > 0.1
    assert (after - before).mean() < -0.06
    before, after = noise_around_adjustments("no_effect")
    assert abs(before.mean()) < 0.075
    assert abs((after - before).mean()) < 0.1
