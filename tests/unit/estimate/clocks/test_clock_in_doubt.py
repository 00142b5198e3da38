"""What a clock in doubt leaves of a field job."""

from __future__ import annotations

from dataclasses import replace

from chaffinch.pipelines.estimate import prepare, real_adjustments
from chaffinch.pipelines.estimate.data.settings_clock import ClockOffset
from chaffinch.pipelines.estimate.two_steps import by_clock
from chaffinch.pipelines.simulate import SCENARIOS, simulate_season


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
