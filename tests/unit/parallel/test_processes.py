"""Work done by processes: the same results, errors as they were raised, and no harm where a process is lost."""

from __future__ import annotations

import math
import operator
import os
import pickle
import signal
import sys
from functools import partial

import pytest
from chaffinch.pipelines.errors import NotYet
from chaffinch.pipelines.parallel import processes
from chaffinch.pipelines.parallel.fan_out import one_by_one, side_by_side
from chaffinch.pipelines.parallel.processes import in_processes

ITEMS = list(range(processes.FEWEST_FOR_PROCESSES))


@pytest.fixture(autouse=True)
def two_processors(monkeypatch):
    monkeypatch.setattr(processes, "processors", lambda: 2)
    monkeypatch.setattr("chaffinch.pipelines.parallel.fan_out.processors", lambda: 2)


def run(do, items, each=side_by_side):
    with in_processes(do, len(items), each) as spread:
        return list(each("prepare", spread, items, str))


def test_results_are_those_of_the_function_and_come_from_other_processes():
    assert run(math.factorial, ITEMS) == [math.factorial(item) for item in ITEMS]
    others = set(run(partial(_nothing_of, os.getpid), ITEMS))
    assert os.getpid() not in others and 1 <= len(others) <= 2


def _nothing_of(do, item):
    return do()


@pytest.fixture(autouse=True)
def importable(monkeypatch):
    """The processes find what this file defines."""
    import types
    from pathlib import Path

    name = Path(__file__).stem
    own = types.ModuleType(name)
    own.__dict__.update({k: v for k, v in globals().items() if k.startswith("_") and callable(v)})
    for one in (_nothing_of, _killed_at_seven, _not_ready_at_seven, _prints):
        monkeypatch.setattr(one, "__module__", name)
    monkeypatch.setitem(sys.modules, name, own)
    monkeypatch.setenv(
        "PYTHONPATH", os.pathsep.join([str(Path(__file__).parent), os.environ.get("PYTHONPATH", "")])
    )


def _killed_at_seven(caller, item):
    if item == 7 and os.getpid() != caller:
        os.kill(os.getpid(), signal.SIGKILL)
    return item


def test_what_a_lost_process_had_is_done_here():
    assert run(partial(_killed_at_seven, os.getpid()), ITEMS) == ITEMS


def _not_ready_at_seven(item):
    if item == 7:
        raise NotYet("7 is still being written.")
    return item


def test_what_is_not_ready_is_said_and_the_rest_goes_on():
    done = run(_not_ready_at_seven, ITEMS)
    assert isinstance(done[7], NotYet) and str(done[7]) == "7 is still being written."
    assert done[:7] + done[8:] == ITEMS[:7] + ITEMS[8:]


def test_a_failure_is_raised_as_it_was():
    with pytest.raises(ZeroDivisionError):
        run(partial(operator.floordiv, 1), ITEMS)


def _prints(item):
    print("in between")
    return item


def test_what_is_printed_there_does_not_come_between():
    assert run(_prints, ITEMS) == ITEMS


@pytest.mark.parametrize(("items", "each"), [(ITEMS[:-1], side_by_side), (ITEMS, one_by_one)])
def test_few_items_or_items_in_turn_are_not_worth_a_process(items, each):
    with in_processes(math.factorial, len(items), each) as do:
        assert do is math.factorial


def test_elsewhere_it_is_the_function_itself():
    with in_processes(math.factorial, len(ITEMS), side_by_side) as spread:
        assert spread is not math.factorial
        assert pickle.loads(pickle.dumps(spread)) is math.factorial
