"""Types of arrays, named once."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
Indexes = NDArray[np.int_]
Ints = NDArray[np.int64]
Octets = NDArray[np.uint8]
RawInts = NDArray[np.int32]
Structured = NDArray[np.void]
# Values of a column by its index, each held until the next.
HeldColumn = Callable[[int], Array]
