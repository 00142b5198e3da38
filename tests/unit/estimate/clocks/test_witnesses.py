"""What is logged beside losses shows when a setting moved, on a simulated season with a known clock."""

from __future__ import annotations

from dataclasses import replace

import polars as pl
import pytest
from chaffinch.pipelines.estimate import estimate_effects, prepare, real_adjustments
from chaffinch.pipelines.simulate import SCENARIOS, Effects, Operator, simulate_season


@pytest.mark.seconds
def test_a_threshing_speed_that_shows_in_broken_grain_alone_tells_the_clock():
    """Four minutes off; the losses do not answer to the setting, so that they tell nothing of it."""
    moves = tuple(
        (minute, (("threshing_speed", steps),)) for minute, steps in ((40.0, 1), (85.0, -1), (130.0, 1))
    )
    scenario = replace(
        SCENARIOS["wrong_clock"],
        fields=4,
        machines=1,
        hours=3.0,
        operator=Operator(script=(moves,) * 4, clock_off_minutes=(4.0, 4.0)),
        effects=Effects(stated=(("threshing_speed", "broken", 0.3),)),
    )
    season = simulate_season(scenario, 7)
    fields = [
        prepare(one.readings, real_adjustments(one.adjustments.with_row_index("row")))[0]
        for one in season.iter()
    ]
    losses = ("separation_loss", "cleaning_loss")
    for names, told in ((losses, False), ((*losses, "broken_grain"), True)):
        known = [replace(b, outcomes={n: y for n, y in b.outcomes.items() if n in names}) for b in fields]
        rows = estimate_effects(known).filter(
            pl.col("scope") == "adjustment", pl.col("outcome") == "cleaning_loss"
        )
        assert rows["reasons"].list.contains("clock_corrected").all() == told
        if told:
            off_s = season.machines[0].clock_off_s
            assert rows["clock_off_s"].unique().to_list() == pytest.approx([off_s], abs=15)
