"""From numbers to words, capacity from a known curve, calibration by loss checks."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest
from chaffinch.pipelines.estimate.data.bins import Binned
from chaffinch.pipelines.estimate.data.changes import Change
from chaffinch.pipelines.estimate.data.design import Design
from chaffinch.pipelines.estimate.model.fit import Fit
from chaffinch.pipelines.estimate.results.calibration import (
    Calibration,
    Level,
    calibrate,
    kg_ha,
    level_before,
)
from chaffinch.pipelines.estimate.results.capacity import capacity_effect
from chaffinch.pipelines.estimate.results.gain_drift import CHECK_ERROR_LOG
from chaffinch.pipelines.estimate.results.verdicts import (
    Answer,
    answer,
    feed_overlap,
    numbers,
    reach,
    refuse,
    repeated_in_trial,
    thin_sides,
)
from chaffinch.schemas.declarations import reasons

START = datetime(2026, 7, 20, 10, tzinfo=UTC)


@pytest.mark.parametrize(
    ("low", "high", "verdict"),
    [
        (0.05, 0.3, "more"),
        (-0.3, -0.05, "less"),
        (-0.1, 0.2, "no clear change"),
        (0.0, 0.2, "no clear change"),
    ],
)
def test_the_range_decides_the_word(low, high, verdict):
    found = answer((low + high) / 2, low, high, [], [])
    assert (found.verdict, found.reasons) == (verdict, ())


def test_a_refusal_outweighs_a_clear_range_and_says_why():
    found = answer(0.5, 0.4, 0.6, ["short_before"], ["joint_change"])
    assert (found.verdict, found.reasons) == ("cannot tell", ("short_before", "joint_change"))
    assert found.log_ratio == 0.5


def test_a_remark_alone_refuses_nothing():
    assert answer(0.5, 0.4, 0.6, [], ["joint_change"]).verdict == "more"


def test_a_range_too_wide_to_help_is_refused():
    """Two on the log scale is a factor of seven from end to end."""
    found = answer(0.0, -1.01, 1.01, [], [])
    assert (found.verdict, found.reasons) == ("cannot tell", ("wide_range",))
    assert answer(0.0, -0.99, 0.99, [], []).verdict == "no clear change"


def test_cannot_tell_always_says_why_in_words_that_are_declared():
    for found in (answer(np.nan, np.nan, np.nan, [], []), answer(0, -2, 2, [], []), refuse("no_overlap")):
        assert found.verdict == "cannot tell"
        assert found.reasons
        assert set(found.reasons) <= set(reasons())


def test_numbers_on_both_scales():
    """ln 0.8 = -0.2231 is -20 %, ln 1.25 = 0.2231 is +25 %."""
    found = numbers(Answer(0.0, np.log(0.8), np.log(1.25), "no clear change"))
    assert found["percent"] == pytest.approx(0.0)
    assert found["percent_low"] == pytest.approx(-20.0)
    assert found["percent_high"] == pytest.approx(25.0)
    assert found["log_ratio_low"] == pytest.approx(-0.2231, abs=1e-4)
    assert set(numbers(refuse("no_overlap")).values()) == {None}


def test_reach_is_the_tabled_t():
    """t of 10 degrees of freedom 2.228, of infinitely many 1.960 (any table of Student's t)."""
    assert reach(10, 1.0) == pytest.approx(2.228, abs=5e-4)
    assert reach(1e9, 1.2) == pytest.approx(1.2 * 1.960, abs=1e-3)


def binned(seconds: list[float], feed_t_h: list[np.ndarray] | None = None) -> Binned:
    """One change; ``seconds`` of work on either side in bins of 10 s; 30 units of signal on 16 m2/s."""
    counts = [max(2, int(s // 10)) for s in seconds]
    n = sum(counts)
    step = np.repeat([0, 1], counts)
    feed = np.full(n, 30.0) if feed_t_h is None else np.concatenate(feed_t_h)
    if feed_t_h is not None:
        step = np.repeat([0, 1], [f.size for f in feed_t_h])
        n = feed.size
    size = np.concatenate([np.full((step == k).sum(), s / (step == k).sum()) for k, s in enumerate(seconds)])
    rows = pl.DataFrame({"time": [START], "setting": ["fan_speed"]})
    still = np.zeros(n)
    return Binned(
        machine="A",
        field="Mill",
        crop="wheat",
        changes=[Change(0.0, 0.0, rows)],
        time_s=np.arange(n) * 10.0,
        seconds=size,
        step=step,
        since_start_s=np.full(n, 100.0),
        until_end_s=np.full(n, 100.0),
        feed_t_h=feed,
        moisture_pct=still,
        roll_deg=still,
        pitch_deg=still,
        east_m=still,
        north_m=still,
        area_m2_s=np.full(n, 16.0),
        loss_signal=np.full(n, 30.0),
        outcomes={},
        flaws={},
        calibrated=False,
    )


@pytest.mark.parametrize(
    ("before", "after", "reasons_given"),
    [
        (180, 180, []),
        (179, 900, ["short_before"]),
        (900, 60, ["short_after"]),
        (60, 60, ["short_before", "short_after"]),
    ],
)
def test_three_minutes_of_work_on_either_side(before, after, reasons_given):
    assert thin_sides(binned([before, after]), 0) == reasons_given


@pytest.mark.parametrize(
    ("trials", "seconds", "enough"),
    [
        (["T"] * 6, 120, True),
        ([None] * 6, 120, False),
        # One switch so far, and another change that is no part of the trial.
        (["T", None], 120, False),
        (["T", "T"], 120, False),
    ],
)
def test_short_steps_of_a_trial_count_where_all_its_switches_together_have_work_enough(
    trials, seconds, enough
):
    rows = [pl.DataFrame({"time": [START], "setting": ["fan_speed"], "trial": [one]}) for one in trials]
    changes = [Change(0.0, 0.0, one) for one in rows]
    made = replace(binned([seconds, seconds]), changes=changes)
    steps = np.repeat(np.arange(len(trials) + 1), seconds // 10)
    made = replace(made, step=steps, seconds=np.full(steps.size, 10.0))
    assert thin_sides(made, 0) == ["short_before", "short_after"]
    assert repeated_in_trial(made, 0) is enough


def test_overlap_of_feed_rates():
    same, above = np.linspace(20, 30, 240), np.linspace(31, 46, 240)
    assert feed_overlap(binned([900, 900], [same, same]), 0) == pytest.approx(1.0)
    assert feed_overlap(binned([900, 900], [same, above]), 0) < 0.15
    half = feed_overlap(binned([900, 900], [same, np.r_[same[:120], above[:120]]]), 0)
    assert 0.3 < half < 0.7


def power_curve(slope: float, effect: float, error: float, curve_error: float = 1e-9) -> tuple[Design, Fit]:
    """ln loss share = slope ln feed + effect of the change, with errors that are independent."""
    names = ("step 0", "intercept", "log feed")
    design = Design(np.ones(3, dtype=bool), np.zeros((3, 3)), names, (0,), 30.0)
    covariance = np.diag([error**2, 1e-6, curve_error**2])
    return design, Fit(np.array([effect, -4.0, slope]), covariance, np.full(3, 1e9))


def test_capacity_on_a_power_curve_is_the_effect_over_the_slope():
    """Slope s: effect + s r = 0, so r = -effect / s, and its error is the effect's over s.

    Loss down 30 % with slope 2 takes ln(1 / 0.7) / 2 = 0.178 more feed rate.
    """
    found = capacity_effect(*power_curve(2.0, np.log(0.7), 0.05), 0, 1.0)
    assert found.log_ratio == pytest.approx(0.1783, abs=1e-3)
    # The grid of shifts has a step of 0.005.
    assert found.high - found.low == pytest.approx(2 * 1.96 * 0.05 / 2, abs=0.011)
    assert found.verdict == "more"


def test_less_loss_is_more_capacity_and_more_loss_less():
    assert capacity_effect(*power_curve(2.0, 0.5, 0.05), 0, 1.0).verdict == "less"
    assert capacity_effect(*power_curve(2.0, 0.0, 0.05), 0, 1.0).verdict == "no clear change"


def test_capacity_on_an_exponential_curve():
    """g = b (F / F0): effect + b (e^r - 1) = 0, so r = ln(1 - effect / b)."""
    names = ("step 0", "intercept", "feed")
    design = Design(np.ones(3, dtype=bool), np.zeros((3, 3)), names, (0,), 30.0)
    fit = Fit(np.array([-0.6, -4.0, 2.0]), np.diag([1e-4, 1e-6, 1e-12]), np.full(3, 1e9))
    assert capacity_effect(design, fit, 0, 1.0).log_ratio == pytest.approx(np.log(1.3), abs=1e-3)


@pytest.mark.parametrize("slope", [0.0, 0.3])
def test_a_slope_that_may_be_zero_gives_no_capacity(slope):
    found = capacity_effect(*power_curve(slope, -0.2, 0.05, curve_error=0.3), 0, 1.0)
    assert (found.verdict, found.reasons) == ("cannot tell", ("flat_curve",))


def test_calibration_is_the_geometric_mean_of_checks():
    """0.2 kg/s at 20 units, 0.4 at 40, 0.8 at 80: 0.01 kg/s a unit, within a fifth over sqrt 3 at best."""
    found = calibrate(np.array([[0.2, 20.0, 0.0], [0.4, 40.0, 0.0], [0.8, 80.0, 0.0]]))
    assert np.exp(found.log_kg_s_per_unit) == pytest.approx(0.01)
    assert found.error == pytest.approx(CHECK_ERROR_LOG / np.sqrt(3))
    assert found.checks == 3


def test_checks_that_disagree_say_so_by_their_spread():
    """ln ratios 0, 1, 2 about ln 0.01, all on one day: standard deviation 1."""
    signal, moment = np.full(3, 20.0), np.zeros(3)
    found = calibrate(np.column_stack([0.2 * np.exp([0.0, 1.0, 2.0]), signal, moment]))
    assert found.error == pytest.approx(1 / np.sqrt(3), rel=1e-5)


def test_checks_without_a_signal_calibrate_nothing():
    assert calibrate(np.empty((0, 3))) is None
    assert calibrate(np.array([[0.2, np.nan, 0.0], [0.0, 20.0, 0.0]])) is None
    assert calibrate(np.array([[0.2, np.nan, 0.0], [0.2, 20.0, 0.0]])).checks == 1


HALVED = Answer(np.log(0.5), np.log(0.4), np.log(0.625), "less")


def test_loss_before_a_change_in_kg_per_hectare():
    """30 units on 16 m2/s at 0.01 kg/s a unit: 0.3 kg/s on 16 m2/s is 187.5 kg/ha. None without a loss check."""
    field = binned([900, 900])
    known = {(field.machine, field.crop): Calibration(np.log(0.01), 0.1, 5)}
    assert level_before(field, 0, known) == Level(field.machine, pytest.approx(187.5), 0.1)
    assert level_before(field, 0, {}) is None


def test_change_of_loss_in_kg_per_hectare():
    """Half of 187.5 kg/ha is -93.75; with the level known the range is 187.5 (0.4 - 1) to 187.5 (0.625 - 1)."""
    value, low, high = kg_ha([Level("A", 187.5, 1e-9)], HALVED)
    assert value == pytest.approx(-93.75)
    assert low == pytest.approx(-112.5, abs=1.5)
    assert high == pytest.approx(-70.3, abs=1.5)
    assert kg_ha([], HALVED) is None


def test_an_unsure_calibration_widens_the_range_in_kg_per_hectare():
    sure, unsure = (kg_ha([Level("A", 187.5, error)], HALVED) for error in (1e-9, 0.3))
    assert unsure[2] - unsure[1] > 1.5 * (sure[2] - sure[1])
    assert unsure[2] < 0, "a sure fall of the share is a sure fall in kg/ha"


def test_errors_of_calibration_average_out_over_machines_and_not_over_fields_of_one():
    one = kg_ha([Level("A", 187.5, 0.3)], HALVED)
    fields, machines = (kg_ha([Level(m, 187.5, 0.3) for m in names], HALVED) for names in ("AAAA", "ABCD"))
    assert fields == pytest.approx(one)
    assert machines[2] - machines[1] < 0.85 * (one[2] - one[1])


def test_a_pair_of_check_and_signal():
    """240 kg/ha on 16 m2/s is 0.384 kg/s, for the 30 units around the moment the checked crop was cut."""
    from chaffinch.pipelines.estimate.results.calibration import check_pairs

    n = 200
    moment = [START + timedelta(seconds=i) for i in range(n)]
    signal = np.where(np.arange(n) < 100, 20.0, 1000.0)
    marked = pl.DataFrame(
        {
            "time": pl.Series(moment, dtype=pl.Datetime("us", "UTC")),
            "separation_loss_aligned": signal,
            "cleaning_loss_aligned": signal / 2,
            "speed_m_s": np.full(n, 2.0),
            "working_width_m": np.full(n, 8.0),
            "pass_number": np.ones(n, dtype=int),
        }
    )
    checks = pl.DataFrame({"time": [moment[58]], "machine_loss_kg_ha": [240.0]})
    ((kg_s, units, at_s),) = check_pairs(marked, checks, 8.0)
    assert kg_s == pytest.approx(0.384)
    assert units == pytest.approx(30.0)
    assert at_s == moment[58].timestamp()
