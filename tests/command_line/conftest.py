"""Tests of commands, lakes and nights are not about the width of ranges."""

from __future__ import annotations

import pytest


@pytest.fixture(scope="module", autouse=True)
def quick_estimates(few_draws: None) -> None:
    pass
