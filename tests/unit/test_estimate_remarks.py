"""What is remarked of an effect once loss checks have told the weight of the signals."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from chaffinch.pipelines.estimate import estimate_effects, prepare, real_adjustments
from chaffinch.pipelines.estimate.bins import Binned
from chaffinch.pipelines.estimate.calibration import Calibration
from chaffinch.pipelines.simulate import SCENARIOS, simulate_season


@pytest.fixture(scope="module")
def fields() -> list[Binned]:
    """Two short machine-fields of one machine, losses alone."""
    made = simulate_season(replace(SCENARIOS["plain"], fields=2, machines=1, hours=1.5, adjustments=2), 12)
    prepared = [
        prepare(one.readings, real_adjustments(one.adjustments.with_row_index("row")))[0]
        for one in made.iter()
    ]
    losses = ("separation_loss", "cleaning_loss", "machine_loss")
    return [replace(b, outcomes={n: b.outcomes[n] for n in losses}) for b in prepared if b is not None]


def test_a_loss_check_is_asked_for_only_where_there_is_none(fields):
    known = {(fields[0].machine, fields[0].crop): Calibration(np.log(0.003), 0.1, 3)}
    for calibrations, asked in ((None, True), (known, False)):
        rows = estimate_effects(fields, calibrations)
        told = rows.filter(scope="adjustment", outcome="machine_loss")
        assert told.height == 4
        assert all(("uncalibrated_sum" in reasons) is asked for reasons in told["reasons"])
        assert told["absolute"].is_null().all() is asked
