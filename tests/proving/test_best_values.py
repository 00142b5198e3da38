"""Best values from readings: simulated seasons whose losses have their least inside, or beyond, the values tried."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from chaffinch.pipelines.estimate import estimate_answers, prepare, real_adjustments
from chaffinch.pipelines.simulate import SCENARIOS, simulate_season
from chaffinch.pipelines.simulate.simulated_crops import ADJUSTABLES
from scipy.stats import binom

LOSSES = {"separation": "separation_loss", "cleaning": "cleaning_loss"}


def responses(name: str, seed: int) -> pl.DataFrame:
    """The table over all machines of a season of eight fields of three hours."""
    season = simulate_season(replace(SCENARIOS[name], fields=8, hours=3.0), seed)
    fields = []
    for made in season.iter():
        changes = real_adjustments(made.adjustments.with_row_index("row"))
        binned, _ = prepare(made.readings, changes, made.loss_checks)
        if binned is not None:
            kept = {o: y for o, y in binned.outcomes.items() if o in LOSSES.values()}
            fields.append(replace(binned, outcomes=kept))
    return estimate_answers(fields).responses.filter(pl.col("machine").is_null())


@pytest.mark.proof
@pytest.mark.parametrize("name", ["best_inside", "best_outside"])
def test_curves_from_readings_hold_the_truth(name: str):
    """Fresh seeds. At the value farthest from that in use the 95 % range holds the truth as often as chance allows (a
    curve counts once: its values err together), and the choice falls short by no more than was expected of it."""
    seeds = np.random.SeedSequence().generate_state(3)
    held, short, expected = [], [], []
    for seed in seeds:
        found = responses(name, int(seed))
        for setting, acts_on, best, rise in SCENARIOS[name].effects.bowls:
            curve = found.filter(setting=setting, outcome=LOSSES[acts_on]).sort("value")
            if curve.is_empty():
                continue
            about = ADJUSTABLES[setting]
            level = (curve["value"].to_numpy() - about.start) / about.step
            in_use = (curve["value_in_use"][0] - about.start) / about.step
            true = rise * ((level - best) ** 2 - (in_use - best) ** 2)
            far = int(np.abs(level - in_use).argmax())
            held.append(curve["log_ratio_low"][far] <= true[far] <= curve["log_ratio_high"][far])
            chosen = int(curve["expected_regret"].arg_min())
            short.append(true[chosen] - true.min())
            expected.append(curve["expected_regret"][chosen])
    print(f"{name}, seeds {seeds}: held {sum(held)} of {len(held)}, short by {np.mean(short):.3f}")
    assert sum(held) >= binom.ppf(0.001, len(held), 0.95)
    assert np.mean(short) <= 2 * np.mean(expected) + 0.05
