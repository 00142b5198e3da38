"""What is logged beside losses shows when a setting moved, on a simulated season with a known clock."""

from __future__ import annotations

from dataclasses import replace

import polars as pl
import pytest
from chaffinch.pipelines.estimate import by_clock, estimate_effects, prepare, real_adjustments
from chaffinch.pipelines.estimate.data.settings_clock import ClockOffset
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


def test_a_clock_that_is_off_by_something_in_a_range_leaves_that_range_out():
    """Off by 30 s to 5 min: made between 5 min and 30 s before it was written; 6 s and 30 s more wash out."""
    scenario = replace(SCENARIOS["plain"], fields=1, machines=1, hours=2.0, adjustments=2)
    one = simulate_season(scenario, 3).machine_field(0)
    binned, _ = prepare(one.readings, real_adjustments(one.adjustments.with_row_index("row")))
    clock = ClockOffset(180.0, 30.0, 300.0, sure=False, doubtful=True, ranged=True)
    within = by_clock(binned, clock)
    entered = within.time_s + within.loss_delay_s
    for before, change in zip(binned.changes, within.changes, strict=True):
        assert (change.first_s, change.last_s) == (before.logged_s - 300, before.logged_s - 30)
        apart = (entered < change.first_s - 6) | (entered > change.last_s + 30)
        assert apart.all()
    assert set(within.step) == {0, 1, 2}
    assert by_clock(binned, None) is binned
    assert by_clock(binned, replace(clock, ranged=False)) is binned
    assert by_clock(binned, replace(clock, sure=True)).changes[0].first_s == binned.changes[0].first_s - 180
