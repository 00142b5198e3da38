"""Whether loss rose in the minute before a moment, by more than the noise has it: company that a change may have."""

from __future__ import annotations

import numpy as np
from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.estimate.model.covariance import Observations, independent_rows
from chaffinch.pipelines.estimate.model.noise import Noise

# A machine that runs into a bad patch shows it before the driver has moved a setting; before this, what rose is in
# the fit as drift that has begun already.
RISE_S = 60.0
# From here on a change counts as made just after loss had risen: one in fifteen by chance.
ROSE = 1.5


def rise_scores(observed: Observations, noise: Noise) -> Array:
    """Before each bin, the sum of the surprises of the last ``RISE_S`` of work, over its standard error, (n,).

    A surprise is what a bin differs from its prediction by all earlier ones, in standard errors. A step at the moment
    is estimated from later surprises, and hardly from these unless another change is near; so a rise that is noise
    hardly biases it, however it was chosen.
    """
    rows = independent_rows(observed, noise)
    fitted, *_ = np.linalg.lstsq(rows.x, rows.y, rcond=None)
    surprise = (rows.y - rows.x @ fitted)[: observed.time_s.size]
    total = np.concatenate([[0.0], np.cumsum(surprise)])
    now = np.arange(surprise.size)
    # Around a real change there are no bins: the minute counts back from the last one before it.
    first = np.searchsorted(observed.time_s, observed.time_s[np.maximum(now - 1, 0)] - RISE_S, "right")
    return (total[now] - total[first]) / np.sqrt(np.maximum(now - first, 1))
