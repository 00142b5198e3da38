"""A season fitted outcome by outcome: in turn or in processes of their own, the same."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from chaffinch.pipelines.estimate import prepare, real_adjustments
from chaffinch.pipelines.estimate.data.bins import Binned
from chaffinch.pipelines.estimate.model.season_fit import fit_season
from chaffinch.pipelines.parallel.fan_out import one_by_one, side_by_side
from chaffinch.pipelines.simulate import SCENARIOS, simulate_season


@pytest.fixture(scope="module")
def fields() -> list[Binned]:
    """Two short field jobs, eight times: enough for several processes."""
    made = simulate_season(replace(SCENARIOS["plain"], fields=2, machines=1, hours=1.0, adjustments=1), 15)
    two = [prepare(m.readings, real_adjustments(m.adjustments.with_row_index("row")))[0] for m in made.iter()]
    names = ("separation_loss", "throughput")
    lean = [replace(b, outcomes={n: b.outcomes[n] for n in names}) for b in two if b is not None]
    return [replace(b, field=f"{b.field} {i}") for i in range(8) for b in lean]


@pytest.mark.seconds
def test_outcomes_fitted_in_processes_are_those_fitted_here(fields, monkeypatch):
    monkeypatch.setattr("chaffinch.pipelines.parallel.processes.processors", lambda: 2)
    monkeypatch.setattr("chaffinch.pipelines.parallel.fan_out.processors", lambda: 2)
    here, there = fit_season(fields, one_by_one), fit_season(fields, side_by_side)
    assert list(here) == list(there)
    for name, outcome in here.items():
        assert len(outcome.fields) == len(there[name].fields)
        for one, other in zip(outcome.fields, there[name].fields, strict=True):
            assert one.binned is other.binned, "the very bins that were given, not a copy"
            np.testing.assert_array_equal(one.fit.coefficients, other.fit.coefficients)
            np.testing.assert_array_equal(one.fit.covariance, other.fit.covariance)
