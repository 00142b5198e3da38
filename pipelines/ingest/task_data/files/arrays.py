"""Types of the arrays that hold time logs."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Booleans = NDArray[np.bool_]
Octets = NDArray[np.uint8]
RawInts = NDArray[np.int32]
Structured = NDArray[np.void]
# Values of a column by its index, each held until the next.
HeldColumn = Callable[[int], Floats]
