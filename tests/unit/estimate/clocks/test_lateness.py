"""Rows written late, settings that take minutes to move, clocks that are off: told apart by the responses."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from chaffinch.pipelines.estimate.clocks import scan as clocks
from chaffinch.pipelines.estimate.clocks.lateness import SLOW_S, clear_hypothesis, delays_of_rows
from chaffinch.pipelines.estimate.data.change_times import USUALLY_LATE_S

NOTHING = -0.5 * np.log(26.0)
# Once a minute: what is tried here is how hypotheses compete.
OFFSETS_S = np.arange(-600.0, 601.0, 60.0)


def season(acted_s, seed: int, share: float = 0.5) -> dict[str, list[np.ndarray]]:
    """Evidence of four machines of six fields with eight changes each: a share of them did something, ``acted_s``
    (random numbers, machine) after the row."""
    rng = np.random.default_rng(seed)
    machines = {}
    for machine in range(4):
        fields = []
        for _ in range(6):
            evidence = NOTHING + 0.4 * rng.standard_normal((OFFSETS_S.size, 8)) ** 2
            for change in np.flatnonzero(rng.random(8) < share):
                at = np.abs(OFFSETS_S + acted_s(rng, machine)).argmin()
                evidence[:, change] += rng.exponential(3.0) * np.exp(
                    -np.abs(np.arange(OFFSETS_S.size) - at) / 2
                )
            fields.append(evidence)
        machines[str(machine)] = fields
    return machines


@pytest.mark.parametrize(
    ("acted_s", "delays"),
    [
        (lambda rng, machine: 0.0, (0.0, 0.0)),
        (lambda rng, machine: -rng.uniform(0, 420), (USUALLY_LATE_S, 0.0)),
        (lambda rng, machine: rng.uniform(0, 540), (0.0, SLOW_S)),
        # A clock that is off is one offset for a machine: left to the search for offsets.
        (lambda rng, machine: (-1) ** machine * 240.0, (0.0, 0.0)),
    ],
)
@pytest.mark.parametrize("seed", range(5))
def test_the_responses_tell_how_a_log_was_written(acted_s, delays, seed):
    assert clear_hypothesis(season(acted_s, seed), OFFSETS_S) == delays


@pytest.mark.parametrize("seed", range(8))
def test_clocks_that_are_off_are_not_taken_for_late_rows_where_few_changes_did_anything(seed):
    """Two machines' clocks are fast, two slow: fields of one kind speak for late rows more than for exact times."""
    wrong = season(lambda rng, machine: (-1) ** machine * (180.0 + 60.0 * machine), seed, share=0.25)
    assert clear_hypothesis(wrong, OFFSETS_S) == (0.0, 0.0)


def test_changes_that_did_nothing_tell_nothing():
    assert clear_hypothesis(season(lambda rng, machine: 0.0, 1, share=0.0), OFFSETS_S) == (0.0, 0.0)
    assert clear_hypothesis({}, OFFSETS_S) == (0.0, 0.0)


def test_steps_of_the_next_changes_do_not_make_a_log_slow():
    """Changes every six to nine minutes, half of which act at once: those minutes later the next one may act."""
    rng = np.random.default_rng(3)
    its = []
    for gap_s in np.arange(360, 560, 20):
        binned = SimpleNamespace(
            changes=[SimpleNamespace(logged_s=gap_s * k, on_plan=False) for k in range(20)]
        )
        acts = rng.random(21) < 0.5
        evidence = NOTHING + 0.4 * rng.standard_normal((clocks.OFFSETS_S.size, 20)) ** 2
        # Next to logged times seconds are left out.
        evidence[clocks.OFFSETS_S == 0] += 3.0 * acts[:-1]
        evidence[-gap_s == clocks.OFFSETS_S] += 9.0 * acts[1:]
        scores = np.sqrt(np.maximum(2 * (evidence - NOTHING) * 26 / 25, 0.0))
        # Of one loss, with errors of one.
        its.append((binned, np.stack([scores, np.ones_like(scores)])[:, :, None, :], evidence))
    assert clear_hypothesis({"A": [one for _, _, one in its]}, clocks.OFFSETS_S) == (0.0, SLOW_S)
    assert delays_of_rows({"A": [one[:2] for one in its]}) == (0.0, 0.0)
