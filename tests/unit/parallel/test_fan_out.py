"""Work spread over threads: results in order, what is not ready said, memory bounded, failures raised."""

from __future__ import annotations

import threading
import time
from dataclasses import dataclass

import pytest
from chaffinch.pipelines.errors import NotYet
from chaffinch.pipelines.parallel import fan_out
from chaffinch.pipelines.parallel.fan_out import one_by_one, side_by_side


@dataclass(frozen=True)
class Item:
    number: int
    size_bytes: int = 0


@pytest.fixture(autouse=True)
def two_processors(monkeypatch):
    monkeypatch.setattr(fan_out, "processors", lambda: 2)


def run(each, do, items):
    return list(each("read", do, items, lambda item: str(item.number)))


def uneven(item: Item) -> int:
    time.sleep(0.002 * (7 - item.number % 8))
    if item.number % 5 == 3:
        raise NotYet(f"{item.number} is being written.")
    return item.number


@pytest.mark.parametrize("count", [0, 1, 2, 50])
def test_results_come_in_order_whoever_was_first(count):
    items = [Item(number) for number in range(count)]
    aside, alone = run(side_by_side, uneven, items), run(one_by_one, uneven, items)
    assert [str(one) for one in aside] == [str(one) for one in alone]
    assert [one for one in aside if not isinstance(one, NotYet)] == [i for i in range(count) if i % 5 != 3]


def test_two_work_at_the_same_time():
    both = threading.Barrier(2, timeout=20)
    assert run(side_by_side, lambda item: both.wait() in (0, 1), [Item(0), Item(1)]) == [True, True]


def test_a_large_file_is_alone_in_memory(monkeypatch):
    monkeypatch.setattr(fan_out, "MOST_BYTES_AHEAD", 100)
    under_way: set[int] = set()
    met: list[set[int]] = []

    def read(item: Item) -> int:
        under_way.add(item.number)
        time.sleep(0.01)
        met.append(set(under_way))
        under_way.discard(item.number)
        return item.number

    sizes = [40, 40, 500, 40, 90, 90]
    items = [Item(number, size) for number, size in enumerate(sizes)]
    assert run(side_by_side, read, items) == list(range(6))
    assert all(together == {2} for together in met if 2 in together)
    assert not any({4, 5} <= together for together in met)


@pytest.mark.parametrize(
    ("limit", "items"),
    [("MOST_FILES_AHEAD", [Item(i) for i in range(40)]), ("MOST_AHEAD", [str(i) for i in range(40)])],
)
def test_no_more_is_begun_ahead_than_is_allowed(monkeypatch, limit, items):
    monkeypatch.setattr(fan_out, limit, 4)
    begun: list[object] = []
    results = side_by_side("read", begun.append, items, str)
    next(results)
    time.sleep(0.05)
    assert len(begun) <= 5
    results.close()
    assert len(begun) <= 6


def test_a_failure_is_raised_and_stops_the_rest():
    begun: list[int] = []

    def read(item: Item) -> None:
        begun.append(item.number)
        if item.number == 1:
            raise OSError("the share is gone")
        time.sleep(0.01)

    with pytest.raises(OSError, match="the share is gone"):
        run(side_by_side, read, [Item(number) for number in range(500)])
    assert len(begun) < 100
