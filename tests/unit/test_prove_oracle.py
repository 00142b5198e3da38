"""What the oracle is told of changes that no log knows, on bins made by hand."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from chaffinch.pipelines.prove.oracle import _allowing_for, oracle
from chaffinch.pipelines.simulate import SCENARIOS, simulate_season

BINS = 300
TIME_S = 10.0 * np.arange(BINS)
LOGGED = (np.arange(BINS) >= 150).astype(float)
DESIGN = SimpleNamespace(use=np.ones(BINS, dtype=bool), columns=np.column_stack([LOGGED, np.ones(BINS)]))
# Crop that reaches the sensor at a bin's time entered six seconds later than the bin says.
BINNED = SimpleNamespace(time_s=TIME_S, loss_delay_s=6.0)


@pytest.mark.parametrize(
    ("moment_s", "added"),
    [
        (750.0, 1),  # half-way before the logged change
        (1506.0, 0),  # at the logged change itself
        (-60.0, 0),  # before the first bin: nothing changes within the log
        (4000.0, 0),  # after the last one
    ],
)
def test_a_change_that_no_log_knows_is_a_step_where_it_can_be_told(moment_s, added):
    columns = _allowing_for(DESIGN, BINNED, [moment_s])
    assert columns.shape == (BINS, 2 + added)
    if added:
        assert np.array_equal(columns[:, -1], (moment_s <= TIME_S + 6.0).astype(float))


def test_told_of_a_hidden_step_the_oracle_is_no_longer_misled_by_it():
    """A field whose separation loss doubles without a word, twenty minutes before a logged change."""
    from chaffinch.pipelines.estimate import prepare, real_adjustments

    made = simulate_season(SCENARIOS["no_effect"], 3).machine_field(0)
    binned, _ = prepare(made.readings, real_adjustments(made.adjustments.with_row_index("row")))
    change = binned.changes[1]
    hidden_s = change.first_s - 1200.0
    binned.outcomes["separation_loss"][binned.time_s + binned.loss_delay_s >= hidden_s] += np.log(2)
    noise = made.noise.parameters
    untold, told = (oracle(binned, "separation_loss", noise, 0.0, known)[1] for known in ([], [hidden_s]))
    assert abs(told.log_ratio) < abs(untold.log_ratio)
    assert told.high - told.low > untold.high - untold.low
