"""The one recursion of the simulator: a first-order lag, at 1 Hz or along the path."""

from __future__ import annotations

import numpy as np
from chaffinch.pipelines.array_types import Array


def first_order(inflow: Array, keep: float, start: float = 0.0) -> Array:
    """y[i] = keep * y[i - 1] + inflow[i], with ``start`` for the value before the first."""
    from scipy.signal import lfilter

    return lfilter([1.0], [1.0, -keep], inflow, zi=np.array([keep * start]))[0]
