"""Hidden company: what may have changed the loss at the same moment as a logged change, and was in no log.

A range allows for noise as the log shows it elsewhere. It can't allow for a driver who changes a setting *because*
the machine runs into a bad patch, so that the patch begins at the change, and not by chance. Two things can be seen.
Loss rose in the last minute before the changes by more than noise explains, and it stays higher after them, whatever
was changed and in whichever direction. Where both are clear, a machine's changes can't be separated from patches.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping

import numpy as np
from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.estimate.data.design import LOSSES
from chaffinch.pipelines.estimate.model.season import SeasonOutcome

# The score of the mean rise before changes and that of the mean step after them: each at least, and both together.
# Of a season more is asked than of one machine; then machines count whose own scores point the same way.
LEAST, TOGETHER = 1.6, 3.3
LEAST_OF_SEASON, TOGETHER_OF_SEASON, POINTING = 2.3, 4.2, 1.5
FEWEST_CHANGES = 6
# Score of the rise with the dew that is clear over a season.
CLEAR_DEW = 2.0


def machines_in_company(season: Mapping[str, SeasonOutcome]) -> set[str]:
    """Machines whose changes were made as loss rose and stayed higher after them; by any of the losses."""
    return {name for loss in LOSSES if loss in season for name in _of_outcome(season[loss])}


def _of_outcome(outcome: SeasonOutcome) -> set[str]:
    rises: dict[str, list[float]] = defaultdict(list)
    steps: dict[str, list[float]] = defaultdict(list)
    for fitted in outcome.fields:
        for k, rise in fitted.rises.items():
            rises[fitted.binned.machine].append(rise)
            at = fitted.design.names.index(f"step {k}")
            steps[fitted.binned.machine].append(float(fitted.fit.coefficients[at]))
    scores = {name: (mean_score(rises[name]), mean_in_errors(steps[name])) for name in rises}
    found = {name for name, both in scores.items() if min(both) > LEAST and _together(both) > TOGETHER}
    every = [one for some in rises.values() for one in some]
    after = [one for some in steps.values() for one in some]
    of_season = mean_score(every), mean_in_errors(after)
    if min(of_season) > LEAST_OF_SEASON and _together(of_season) > TOGETHER_OF_SEASON:
        found |= {name for name, both in scores.items() if _together(both) > POINTING}
    return found


def _together(scores: tuple[float, float]) -> float:
    """Score of two independent ones (Stouffer et al. 1949; from memory)."""
    return sum(scores) / math.sqrt(2)


def dew_shows(season: Mapping[str, SeasonOutcome]) -> bool:
    """Whether any loss of the season clearly rises as dew comes, over the fields with work at such an hour."""
    for loss in LOSSES:
        found = [
            (float(f.fit.coefficients[at]), float(f.fit.covariance[at, at]))
            for f in (season[loss].fields if loss in season else [])
            if "dew" in f.design.names
            for at in [f.design.names.index("dew")]
        ]
        if found:
            rises, variances = np.array(found).T
            if (rises / variances).sum() / np.sqrt((1 / variances).sum()) > CLEAR_DEW:
                return True
    return False


def mean_score(scores: list[float]) -> float:
    """Score of the mean of independent scores; 0 for none."""
    return float(np.sum(scores) / np.sqrt(len(scores))) if scores else 0.0


def mean_in_errors(steps: list[float]) -> float:
    """Mean of the steps after changes over its standard error by their spread, which holds true effects of both
    signs; 0 below ``FEWEST_CHANGES``."""
    if len(steps) < FEWEST_CHANGES:
        return 0.0
    return float(np.mean(steps) / max(np.std(steps, ddof=1) / np.sqrt(len(steps)), 1e-12))


def explaining_step(low: float, high: float, own_width: float) -> float | None:
    """The hidden step at the same moment that would take a range to zero, log ratio; None where it holds zero.

    low, high : range of the answer. own_width : width of the range by this log alone. Where others share the answer,
    a step in this log moves it less: by the square of the ratio of the widths (precisions add; normal).
    """
    if not (low > 0 or high < 0) or not own_width > 0:
        return None
    near, share = (low if low > 0 else high), min(1.0, (high - low) / own_width) ** 2
    return float(near / max(share, 1e-6))


def share_of_moments(step: float, placebo_steps: Array | None) -> float | None:
    """How often a step as large in the same direction was found where nothing was changed; None below 20 moments."""
    if placebo_steps is None or placebo_steps.size < 20:
        return None
    return float(np.mean(np.sign(step) * placebo_steps >= abs(step)))
