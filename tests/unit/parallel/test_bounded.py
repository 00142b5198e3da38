"""Work in a child that may die of it: too much memory, a crash, too long; the next one finds a child again."""

from __future__ import annotations

import operator
import os
import time

import pytest
from chaffinch.pipelines.parallel import bounded as module
from chaffinch.pipelines.parallel.bounded import TooMuch, bounded

pytestmark = pytest.mark.seconds


def test_results_and_errors_come_back() -> None:
    assert bounded(operator.mul, 6, 7) == 42
    with pytest.raises(ZeroDivisionError):
        bounded(operator.floordiv, 1, 0)


def test_more_memory_than_allowed_ends_the_child_alone() -> None:
    with pytest.raises(TooMuch, match="too much memory"):
        bounded(bytes, 3 << 30)
    assert bounded(len, bytes(100 << 20)) == 100 << 20


def test_a_crash_ends_the_child_alone() -> None:
    with pytest.raises(TooMuch, match="crashed"):
        bounded(os.abort)
    assert bounded(operator.add, 1, 1) == 2


def test_it_may_not_take_for_ever(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "LONGEST_S", 0.5)
    with pytest.raises(TooMuch, match="took longer"):
        bounded(time.sleep, 30)
