"""Seasons of a few field jobs that are kept from night to night as large ones are."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime

import numpy as np
import pytest
from chaffinch.pipelines.estimate import Answers, estimate_answers, prepare, real_adjustments
from chaffinch.pipelines.estimate.data.bins import Binned
from chaffinch.pipelines.estimate.kept import kept_season, unchanged_machines
from chaffinch.pipelines.estimate.kept.kept_season import KeptSeason
from chaffinch.pipelines.estimate.results import spread_draws
from chaffinch.pipelines.simulate import SCENARIOS, simulate_season


def keep_small_seasons(patch: pytest.MonkeyPatch) -> None:
    """Three field jobs count as many, and no new one moves the noise or the pooled answers too far."""
    patch.setattr(kept_season, "FEWEST_JOBS", 3)
    patch.setattr(kept_season, "MOST_GROWTH", 2.0)
    patch.setattr(kept_season, "TOLERANCE", np.inf)
    patch.setattr(unchanged_machines, "OF_NARROWEST", np.inf)
    # What is tested holds for any number of draws.
    patch.setattr(spread_draws, "WARM_UP", 10)
    patch.setattr(spread_draws, "SWEEPS", 256)
    patch.setattr(spread_draws, "ENOUGH_LEFT", 0.0)


def binned_season(seed: int, **changed: float) -> list[Binned]:
    """Field jobs of an hour of the plain scenario. changed : its fields or machines."""
    season = simulate_season(replace(SCENARIOS["plain"], hours=1.0, **changed), seed)
    return [
        prepare(made.readings, real_adjustments(made.adjustments.with_row_index("row")))[0]
        for made in season.iter()
    ]


def kept_night(kept: KeptSeason, fields: Sequence[Binned], when: datetime) -> Answers:
    """The answers of a night, which brings ``kept`` up to date."""
    kept.begin(fields, when)
    answers = estimate_answers(fields, kept=kept)
    kept.end()
    return answers
