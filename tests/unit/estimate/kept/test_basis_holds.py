"""How far what all machines together say may move before all answers are made again."""

from __future__ import annotations

import numpy as np
import pytest
from chaffinch.pipelines.estimate.kept.unchanged_machines import _near

# Middle, ends, ends of a field to come, half width of the narrowest answer, log of the widening.
SAID = np.array([[0.3, 0.1, 0.5, -0.2, 0.8, 0.1, 0.0], [-0.1, -0.3, 0.1, -0.6, 0.4, 0.2, 0.0]])


@pytest.mark.parametrize(
    ("row", "column", "moved", "near"),
    [
        (0, 0, 0.019, True),
        (0, 0, -0.021, False),
        (0, 1, 0.021, False),
        (0, 2, 0.019, True),
        (1, 0, 0.039, True),
        (1, 0, 0.041, False),
        (0, 3, 0.099, True),
        (0, 4, -0.101, False),
        # The narrowest answer of this night does not count.
        (0, 5, 9.0, True),
        (1, 6, np.log(1.09), True),
        (1, 6, -np.log(1.11), False),
    ],
)
def test_a_fifth_of_the_narrowest_half_width(row, column, moved, near):
    now = SAID.copy()
    now[row, column] += moved
    assert _near(SAID, now) is near


def test_another_setting_or_crop_is_another_basis():
    assert not _near(SAID, SAID[:1])
