"""Remarks on an effect once loss checks give the weight of the signals."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from chaffinch.pipelines.estimate import estimate_effects, prepare, real_adjustments
from chaffinch.pipelines.estimate.data.bins import Binned
from chaffinch.pipelines.estimate.results.calibration import Calibration
from chaffinch.pipelines.estimate.signals.known_signals import KnownSignals
from chaffinch.pipelines.simulate import SCENARIOS, simulate_season
from chaffinch.pipelines.simulate.simulated_season import Season

pytestmark = [pytest.mark.seconds, pytest.mark.usefixtures("few_draws")]


@pytest.fixture(scope="module")
def fields() -> list[Binned]:
    """Two short field jobs of one machine, losses alone."""
    made = simulate_season(replace(SCENARIOS["plain"], fields=2, machines=1, hours=1.5, adjustments=2), 12)
    return losses_of(made)


def losses_of(made: Season) -> list[Binned]:
    prepared = [
        prepare(one.readings, real_adjustments(one.adjustments.with_row_index("row")))[0]
        for one in made.iter()
    ]
    losses = ("separation_loss", "cleaning_loss", "machine_loss")
    return [replace(b, outcomes={n: b.outcomes[n] for n in losses}) for b in prepared if b is not None]


def test_a_loss_check_is_asked_for_only_where_there_is_none(fields):
    known = {(fields[0].machine, fields[0].crop): Calibration(np.log(0.003), 0.1, 3)}
    for calibrations, asked in (({}, True), (known, False)):
        rows = estimate_effects(fields, KnownSignals(calibrations))
        result = rows.filter(scope="adjustment", outcome="machine_loss")
        assert result.height == 4
        assert all(("uncalibrated_sum" in reasons) is asked for reasons in result["reasons"])
        assert result["absolute"].is_null().all() is asked


@pytest.fixture(scope="module")
def longer() -> list[Binned]:
    """Five field jobs of three hours, losses alone, so that the noise is known without any one of them."""
    made = simulate_season(replace(SCENARIOS["plain"], fields=5, machines=2, hours=3.0, adjustments=2), 14)
    return losses_of(made)


def test_an_effect_next_to_an_unlogged_step_has_no_verdict(longer):
    """Loss twelve times as high from four minutes before the first change on: it, and not the second change, goes
    unanswered on every loss and on capacity, and enters no pooled row."""
    binned = longer[0]
    first, second = (change.rows["time"][0] for change in binned.changes)
    raised = np.where(binned.time_s > binned.changes[0].first_s - 240, 2.5, 0.0)
    moved = replace(binned, outcomes={n: y + raised for n, y in binned.outcomes.items()})
    rows = estimate_effects([moved, *longer[1:]]).filter(machine=binned.machine, field=binned.field)
    assert rows.filter(setting="not logged").height > 0
    logged = rows.filter((pl.col("scope") == "adjustment") & (pl.col("setting") != "not logged"))
    nearby = logged.filter(time=first)
    assert set(nearby["outcome"]) == {"separation_loss", "cleaning_loss", "machine_loss", "capacity"}
    assert set(nearby["verdict"]) == {"cannot tell"}
    assert all("beside_not_logged" in reasons for reasons in nearby["reasons"])
    assert not any("beside_not_logged" in reasons for reasons in logged.filter(time=second)["reasons"])
    pooled = rows.filter(scope="field")["setting"].to_list()
    assert binned.changes[0].rows["setting"][0] not in pooled
    assert binned.changes[1].rows["setting"][0] in pooled
