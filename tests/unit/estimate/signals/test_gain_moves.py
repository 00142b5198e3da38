"""Gains of loss sensors that move with a setting: what pans on both sides tell, and what is left open without."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import polars as pl
import pytest
from chaffinch.pipelines.estimate.data.bins import Binned
from chaffinch.pipelines.estimate.data.changes import Change
from chaffinch.pipelines.estimate.data.design import Design
from chaffinch.pipelines.estimate.model.fit import Fit
from chaffinch.pipelines.estimate.model.placebo import Placebos
from chaffinch.pipelines.estimate.model.season import FARM_WIDE, FieldOutcome, SeasonOutcome
from chaffinch.pipelines.estimate.signals.exponents import LIKELY_ERRORS
from chaffinch.pipelines.estimate.signals.gain_moves import (
    MOVES,
    MOVES_PRIOR,
    MOVES_WITH_CHECKS,
    allowing_for_gain_moves,
    gain_moves,
    movers,
    with_steady_gains,
)

START = datetime(2026, 7, 20, 10, tzinfo=UTC).timestamp()
HOUR = 3600.0
SHARE = 0.4
"""Of the summed signals, from the cleaning sensor."""


def test_the_fan_and_the_sieves_reach_the_cleaning_sensor():
    """Common practice, no source: air and chaff go over the sensor behind the sieves."""
    assert {"fan_speed", "upper_sieve_opening", "lower_sieve_opening"} <= movers().keys()
    assert set(movers().values()) == {("cleaning_loss",)}


def machine_field(machine: str, day: int) -> Binned:
    """Three hours; after one the fan goes up a step, after two the rotor."""
    start = START + day * 86_400
    changes = [
        _change(start + HOUR, "fan_speed", 50.0, (900.0, 950.0)),
        _change(start + 2 * HOUR, "rotor_speed", 50.0, (800.0, 850.0)),
    ]
    time_s = start + 10.0 * np.arange(1080) + 5.0
    n, one = time_s.size, np.ones(time_s.size)
    step = np.searchsorted([c.first_s for c in changes], time_s)
    losses = {"separation_loss": np.log(1 - SHARE) * one, "cleaning_loss": np.log(SHARE) * one}
    losses["machine_loss"] = np.zeros(n)
    return Binned(
        machine, "F", "wheat", changes, time_s, 10 * one, step, 60 * one, 60 * one, 36 * one, 14 * one, 0 * one,
        0 * one, 0 * one, 0 * one, 15 * one, 10 * one, losses, {name: [] for name in losses}, False,
    )  # fmt: skip


def _change(at_s: float, setting: str, step: float, values: tuple[float, float]) -> Change:
    row = {
        "time": datetime.fromtimestamp(at_s, UTC), "setting": setting, "kind": "number", "unit": "rpm",
        "from_value": str(values[0]), "to_value": str(values[1]), "origin": "settings log",
    }  # fmt: skip
    return Change(at_s, at_s, pl.DataFrame([row]))


def pans(binned: Binned, move: float, each: int, rng: np.random.Generator, error: float = 0.25) -> np.ndarray:
    """So many checks in each hour; the cleaning signal is e^move times what it was after the fan went up."""
    at = binned.time_s[0] + HOUR * (np.repeat([0, 1, 2], each) + rng.uniform(0.1, 0.9, 3 * each))
    gain = np.where(at > binned.changes[0].first_s, np.exp(move), 1.0)
    signal = 10 * (1 - SHARE + SHARE * gain)
    return np.column_stack([0.05 * np.exp(error * rng.standard_normal(at.size)), signal, at])


def farm(move: np.ndarray, each: int, rng: np.random.Generator, fields: int = 3):
    """Machines A, B, ... with a move each."""
    made, pairs = [], {}
    for i, one in enumerate(move):
        mine = [machine_field("ABCD"[i], day) for day in range(fields)]
        made += mine
        pairs["ABCD"[i], "wheat"] = [pans(b, float(one), each, rng) for b in mine]
    return made, pairs


def test_pans_on_both_sides_find_a_move_and_its_error():
    """Twelve pans an hour in fifteen fields: -0.25 is found; the rotor is none of the settings in question."""
    fields, pairs = farm(np.full(3, -0.25), 12, np.random.default_rng(1), fields=5)
    found = gain_moves(fields, pairs)
    for one in found.values():
        assert one.keys() == {"fan_speed"}
        assert one["fan_speed"].log == pytest.approx(-0.25, abs=2.5 * np.hypot(*_errors(one["fan_speed"])))
        assert np.hypot(*_errors(one["fan_speed"])) < 0.12


def _errors(move) -> tuple[float, float]:
    return move.own, move.common


@pytest.mark.parametrize(
    ("prior", "seed", "farms", "each", "fields", "least"),
    [
        # Few pans, so that the narrow prior applies: 240 machines.
        pytest.param(MOVES_PRIOR, 2, 80, 1, 2, 0.93, id="few pans"),
        # Eight pans an hour, so that moves up to a half are left free: 120 machines.
        pytest.param(MOVES_WITH_CHECKS, 8, 40, 8, 3, 0.92, id="left free"),
    ],
)
def test_ranges_hold_moves_drawn_from_their_prior(prior, seed, farms, each, fields, least):
    """Of moves drawn from the prior that applies, 95 % ranges hold about as many; three machines a farm."""
    rng = np.random.default_rng(seed)
    held = []
    for _ in range(farms):
        sigma = rng.choice(MOVES, p=prior)
        moves = sigma * (0.75**0.5 * rng.standard_normal() + 0.5 * rng.standard_normal(3))
        found = gain_moves(*farm(moves, each, rng, fields=fields))
        for name, move in zip("ABC", moves, strict=True):
            one = found[name, "wheat"]["fan_speed"]
            held.append(abs(one.log - move) < 1.96 * np.hypot(one.own, one.common))
    assert least < np.mean(held) < 0.999


def test_without_pans_a_usual_move_is_left_open_and_told():
    fields, _ = farm(np.zeros(2), 1, np.random.default_rng(3))
    moves = gain_moves(fields, {})
    one = moves["A", "wheat"]["fan_speed"]
    assert one.log == pytest.approx(0.0, abs=1e-9)
    # The 97.5 % end of the prior's mixture, found by its distribution.
    from scipy.optimize import brentq
    from scipy.stats import norm

    end = brentq(lambda x: MOVES_PRIOR @ norm.cdf(x, scale=MOVES) - 0.975, 0.0, 1.0)
    assert 1.96 * np.hypot(one.own, one.common) == pytest.approx(end, rel=1e-3)
    allowed = allowing_for_gain_moves(_season(fields[0]), moves)
    cleaning, total = allowed["cleaning_loss"].fields[0], allowed["machine_loss"].fields[0]
    assert cleaning.doubts_of(0) == ("gain_may_move",) and cleaning.doubts_of(1) == ()
    assert allowed["separation_loss"].fields[0].loadings == {}
    added = cleaning.fit.covariance - 0.01 * np.eye(3)
    assert added[0, 0] == pytest.approx(one.own**2 + one.common**2)
    assert np.abs(added[1:]).max() < 1e-12
    np.testing.assert_allclose(
        total.loadings[f"{FARM_WIDE}gain fan_speed"], SHARE * cleaning.loadings[f"{FARM_WIDE}gain fan_speed"]
    )


def test_enough_pans_leave_no_remark():
    fields, pairs = farm(np.zeros(1), 30, np.random.default_rng(4))
    moves = gain_moves(fields, pairs)
    assert moves["A", "wheat"]["fan_speed"].by_checks < 0.1
    assert allowing_for_gain_moves(_season(fields[0]), moves)["cleaning_loss"].fields[0].doubts_of(0) == ()


def test_signals_are_brought_back_to_the_gain_of_before():
    """A sensor that shows e^-0.25 of the loss after the fan went up: then neither loss has an effect any more."""
    fields, pairs = farm(np.full(1, -0.25), 400, np.random.default_rng(5), fields=1)
    (before,) = fields
    shown = {name: one.copy() for name, one in before.outcomes.items()}
    shown["cleaning_loss"][before.step > 0] -= 0.25
    shown["machine_loss"] = np.logaddexp(shown["separation_loss"], shown["cleaning_loss"])
    before.outcomes.update(shown)
    moves = gain_moves(fields, pairs)
    log = moves["A", "wheat"]["fan_speed"].log
    assert log == pytest.approx(-0.25, abs=0.05)
    (after,), steady = with_steady_gains(fields, pairs, moves)
    for place in ("cleaning_loss", "machine_loss"):
        moved = after.outcomes[place][after.step > 0].mean() - after.outcomes[place][after.step == 0].mean()
        assert moved == pytest.approx(0.0, abs=0.05)
    np.testing.assert_array_equal(after.outcomes["separation_loss"], shown["separation_loss"])
    (checks,) = steady["A", "wheat"]
    late = checks[:, 2] > before.changes[0].first_s
    assert checks[late, 1].mean() == pytest.approx(checks[~late, 1].mean(), rel=0.03)
    assert pairs["A", "wheat"][0][late, 1].mean() < 0.95 * checks[~late, 1].mean()


def test_checks_that_scatter_more_tell_less():
    rng = np.random.default_rng(6)
    fields, _ = farm(np.zeros(1), 1, rng)
    own = [
        gain_moves(fields, {("A", "wheat"): [pans(b, 0.0, 10, rng, error) for b in fields]})["A", "wheat"]
        for error in (LIKELY_ERRORS[0], 4 * LIKELY_ERRORS[0])
    ]
    assert own[1]["fan_speed"].by_checks > 2.5 * own[0]["fan_speed"].by_checks


def _season(binned: Binned) -> dict[str, SeasonOutcome]:
    """Nothing happened by either change, with a standard error of 0.1."""
    design = Design(np.ones(binned.time_s.size, dtype=bool), np.ones((binned.time_s.size, 3)),
                    ("step 0", "step 1", "intercept"), (0, 1), 36.0)  # fmt: skip
    fit = Fit(np.zeros(3), 0.01 * np.eye(3), np.full(3, 50.0))
    return {
        name: SeasonOutcome(name, [FieldOutcome(binned, name, design, fit)], None, Placebos.none(), False)
        for name in binned.outcomes
    }
