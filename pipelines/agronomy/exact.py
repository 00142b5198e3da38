"""Exact imperial units (international yard and pound, 1959), the 95 % range, and a division that answers NaN."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

Numbers: TypeAlias = float | NDArray[np.float64]
"""A number, or an array of them; functions of several broadcast."""

POUND_KG = 0.45359237
FOOT_M = 0.3048
MILE_M = 1609.344
ACRE_M2 = 4046.8564224

# The ends of a 95 % range, and how many standard errors of a normal distribution they lie from its middle.
ENDS_95 = (0.025, 0.975)
REACH_95 = 1.959963984540054


def quotient(numerator: Numbers, positive: Numbers) -> Numbers:
    """``numerator / positive``; NaN wherever ``positive`` is not above zero (or is NaN)."""
    divisor = np.asarray(positive, dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        divided = np.where(divisor > 0, np.asarray(numerator, dtype=np.float64) / divisor, np.nan)
    return divided[()]
