"""A-B-A repeats by the switchback contrast, which takes out level and linear drift by design."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray


@dataclass(frozen=True, slots=True)
class Switchback:
    """Effect of the second treatment against the first, in the unit of the periods."""

    effect: float
    standard_error: float
    degrees_of_freedom: int


def switchback_contrast(periods: ArrayLike) -> NDArray[np.float64]:
    """p1 - 2 p2 + p3 of each row of ``periods``, shape (units, 3): free of level and linear drift."""
    p = np.atleast_2d(np.asarray(periods, dtype=np.float64))
    if p.shape[1] != 3:
        raise ValueError(f"a switchback has three periods a unit, found {p.shape[1]}")
    return p[:, 0] - 2.0 * p[:, 1] + p[:, 2]


def switchback_effect(first_second_first: ArrayLike, second_first_second: ArrayLike) -> Switchback:
    """Effect of the second treatment from units treated 1-2-1 and units treated 2-1-2, each shape (units, 3).

    A unit treated 1-2-1 has a contrast of -2 effects, one treated 2-1-2 of +2, so the difference of the two
    means is four effects. Drift that is linear and common or not common to all cancels. The standard error
    takes the spread of contrasts to be the same in both groups and needs three units in all (``ValueError``).

    Source: A. E. Brandt, *Tests of Significance in Reversal or Switchback Trials*, Iowa State College
    Agricultural Research Bulletin 234, 1938.
    """
    a = switchback_contrast(first_second_first)
    b = switchback_contrast(second_first_second)
    freedom = len(a) + len(b) - 2
    if freedom < 1:
        raise ValueError("a standard error needs at least three units")
    spread = (((a - a.mean()) ** 2).sum() + ((b - b.mean()) ** 2).sum()) / freedom
    error = np.sqrt(spread * (1.0 / len(a) + 1.0 / len(b))) / 4.0
    return Switchback(float(b.mean() - a.mean()) / 4.0, float(error), freedom)
