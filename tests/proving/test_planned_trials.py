"""What plans of trials promise, against simulated trials that were driven and answered."""

from __future__ import annotations

import polars as pl
import pytest
from chaffinch.pipelines.prove.planned_trials import answered_trials, scored_trials

EFFECT = 0.16


@pytest.mark.proof
@pytest.mark.parametrize("scenario", ["plain", "heavy_tails"])
def test_trials_come_out_as_planned(scenario):
    # Fresh seeds for each scenario; of 16 trials two may lie outside what is asked of nine in ten.
    rows = pl.concat([answered_trials(scenario, seed, EFFECT) for seed in (2601, 2602)])
    found = scored_trials(rows)
    assert found["trials"] == 16
    assert found["within_15_percent"] >= 0.75
    assert 0.85 < found["ratio"] < 1.15
    assert found["coverage"] >= 0.8


@pytest.mark.proof
def test_without_effect_trials_seldom_call_one():
    rows = answered_trials("plain", 2603, 0.0)
    assert scored_trials(rows)["called"] <= 0.25
