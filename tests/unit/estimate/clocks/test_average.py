"""Effects averaged over likely offsets of a clock: against the mixture by hand, and on fields whose clock is off."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from chaffinch.pipelines.estimate import prepare, real_adjustments
from chaffinch.pipelines.estimate.clocks.average import averaged, over_likely_clocks
from chaffinch.pipelines.estimate.clocks.by_responses import on_one_clock
from chaffinch.pipelines.estimate.data.settings_clock import ClockOffset
from chaffinch.pipelines.estimate.model.season import fit_again, fit_outcome
from chaffinch.pipelines.prove.trial import truth_of_changes
from chaffinch.pipelines.simulate import SCENARIOS, simulate_season

pytestmark = pytest.mark.seconds

LOSS = "separation_loss"


@pytest.fixture(scope="module")
def off():
    """Four fields of machines whose settings logs are 2 to 6 minutes off; effects of half a log a step."""
    wrong = SCENARIOS["wrong_clock"]
    effects = replace(wrong.effects, per_step_sd=0.5, zero_share=0.0)
    made = list(simulate_season(replace(wrong, fields=4, effects=effects), 12).iter())
    binned, true = [], []
    for one in made:
        found, _ = prepare(one.readings, real_adjustments(one.adjustments.with_row_index("row")))
        truth = truth_of_changes(one.truth, found.changes, (LOSS,))
        known = dict(truth.select("change_time", "truth").iter_rows())
        binned.append(found)
        true.append(np.array([known[c.rows["time"].min()] for c in found.changes]))
    return made, fit_outcome(binned, LOSS), true


def test_mean_and_covariance_are_those_of_the_mixture(off):
    _, season, _ = off
    field = season.fields[0]
    likely = ((0.0, 0.25), (-180.0, 0.35), (-240.0, 0.4))
    found = averaged(field, season, likely)
    others = [fit_again(on_one_clock(field.binned, offset), season) for offset, _ in likely[1:]]
    one = [f.fit.coefficients[f.design.names.index("step 1")] for f in (field, *others)]
    own = [f.fit.covariance[i, i] for f in (field, *others) for i in [f.design.names.index("step 1")]]
    mean = 0.25 * one[0] + 0.35 * one[1] + 0.4 * one[2]
    squares = 0.25 * (own[0] + one[0] ** 2) + 0.35 * (own[1] + one[1] ** 2) + 0.4 * (own[2] + one[2] ** 2)
    at = found.design.names.index("step 1")
    assert found.fit.coefficients[at] == pytest.approx(mean, abs=1e-12)
    assert found.fit.covariance[at, at] == pytest.approx(squares - mean**2, abs=1e-12)
    assert found.design.steps == field.design.steps


def test_an_offset_at_which_a_change_falls_outside_the_log_is_left_out(off):
    _, season, _ = off
    field = season.fields[0]
    first_s = field.binned.changes[0].first_s - field.binned.time_s[0]
    result = averaged(field, season, ((0.0, 0.5), (first_s + 900.0, 0.5)))
    np.testing.assert_allclose(result.fit.coefficients, field.fit.coefficients)


def test_what_was_lost_by_a_wrong_clock_comes_back_with_belief_in_the_right_one(off):
    """Sixteen effects of about half a log, each known to an eighth: their common factor is known to about 0.07."""
    made, season, true = off
    factors = []
    for belief in (0.0, 0.5, 0.9):
        along, size = 0.0, 0.0
        for one, field, effects in zip(made, season.fields, true, strict=True):
            found = averaged(field, season, ((0.0, 1 - belief), (one.machine.clock_off_s, belief)))
            steps = found.fit.coefficients[
                [found.design.names.index(f"step {k}") for k in found.design.steps]
            ]
            along += float(steps @ effects[list(found.design.steps)])
            size += float(effects[list(found.design.steps)] @ effects[list(found.design.steps)])
        factors.append(along / size)
    assert factors[0] < 0.85
    assert factors[0] < factors[1] < factors[2]
    assert factors[2] == pytest.approx(1.0, abs=0.15)


def test_only_doubtful_clocks_are_averaged_over(off):
    _, season, _ = off
    machine = season.fields[0].binned.machine
    sure = ClockOffset(0.0, -60.0, 60.0, False, False)
    doubtful = replace(sure, doubtful=True, likely=((0.0, 0.5), (-240.0, 0.5)))
    left = over_likely_clocks(season, {machine: sure})
    assert all(a is b for a, b in zip(left.fields, season.fields, strict=True))
    moved = over_likely_clocks(season, {machine: doubtful})
    assert [f is g for f, g in zip(moved.fields, season.fields, strict=True)] == [
        f.binned.machine != machine for f in season.fields
    ]
