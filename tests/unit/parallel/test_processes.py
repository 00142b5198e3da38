"""Work done by processes: the same results, errors as they were raised, and no harm where a process is lost."""

from __future__ import annotations

import math
import operator
import os
import pickle
import signal
import subprocess
import sys
import time
from functools import partial
from pathlib import Path

import pytest
from chaffinch.pipelines.errors import NotYet
from chaffinch.pipelines.parallel import processes
from chaffinch.pipelines.parallel.fan_out import one_by_one, side_by_side
from chaffinch.pipelines.parallel.processes import in_processes, processes_for, through_processes

pytestmark = pytest.mark.seconds

ITEMS = list(range(processes.FEWEST_FOR_PROCESSES))


@pytest.fixture(autouse=True)
def two_processors(monkeypatch):
    monkeypatch.setattr(processes, "processors", lambda: 2)
    monkeypatch.setattr("chaffinch.pipelines.parallel.fan_out.processors", lambda: 2)


def run(do, items, each=side_by_side):
    with in_processes(do, each, processes_for(len(items))) as spread:
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

    name = Path(__file__).stem
    own = types.ModuleType(name)
    own.__dict__.update({k: v for k, v in globals().items() if k.startswith("_") and callable(v)})
    for one in (_nothing_of, _killed_at_seven, _not_ready_at_seven):
        monkeypatch.setattr(one, "__module__", name)
    monkeypatch.setitem(sys.modules, name, own)
    monkeypatch.syspath_prepend(Path(__file__).parent)


def _killed_at_seven(caller, item):
    if item == 7 and os.getpid() != caller:
        os.kill(os.getpid(), signal.SIGKILL)
    return item, os.getpid()


def test_what_a_lost_process_had_is_done_here_and_the_rest_by_others():
    items, done_by = zip(*run(partial(_killed_at_seven, os.getpid()), ITEMS), strict=True)
    assert list(items) == ITEMS
    assert done_by[7] == os.getpid()
    assert done_by[0] != os.getpid() and done_by[-1] != os.getpid()


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


def test_what_is_not_ready_can_be_raised():
    with pytest.raises(NotYet, match="7 is still being written"):
        list(through_processes(side_by_side, "prepare", _not_ready_at_seven, ITEMS, str))


SCRIPT = """
from chaffinch.pipelines.parallel.fan_out import side_by_side
from chaffinch.pipelines.parallel.processes import through_processes
{definitions}
print("the program runs")
print(*through_processes(side_by_side, "do", {do}, {items}, str, 2))
"""


def script(folder, do, items, definitions=""):
    """A program without a main guard, started in ``folder``."""
    (folder / "program.py").write_text(SCRIPT.format(do=do, items=items, definitions=definitions))
    return subprocess.Popen(
        [sys.executable, "program.py"], cwd=folder, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )


def test_the_program_of_the_caller_is_not_run_again(tmp_path):
    out, err = script(tmp_path, "abs", [-1, -2, -3]).communicate(timeout=120)
    assert (out, err) == ("the program runs\n1 2 3\n", "")


def test_what_is_printed_there_does_not_come_between(tmp_path):
    out, err = script(tmp_path, "print", ["one", "two"]).communicate(timeout=120)
    assert out == "the program runs\nNone None\n"
    assert sorted(err.split()) == ["one", "two"]


def test_processes_have_one_thread_each_and_import_nothing_from_the_working_directory(tmp_path):
    (tmp_path / "multiprocessing").mkdir()
    (tmp_path / "multiprocessing" / "__init__.py").write_text("print('another module of that name')")
    names = ["POLARS_MAX_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"]
    # The program itself looks in its folder first.
    definitions = "import os"
    (tmp_path / "elsewhere").mkdir()
    program = tmp_path / "elsewhere" / "program.py"
    program.write_text(SCRIPT.format(do="os.getenv", items=names, definitions=definitions))
    ran = subprocess.run([sys.executable, program], cwd=tmp_path, capture_output=True, text=True, timeout=120)
    assert ran.stdout == "the program runs\n1 1 1 1\n"


def started(process):
    """Processes started by any thread of ``process``."""
    found = Path(f"/proc/{process}/task").glob("*/children")
    return [int(one) for children in found for one in children.read_text().split()]


def command(process):
    try:
        return Path(f"/proc/{process}/cmdline").read_bytes()
    except OSError:
        return b""


@pytest.mark.skipif(not Path("/proc/self/task").is_dir(), reason="the kernel's list of processes is not here")
def test_processes_end_with_a_program_that_is_killed(tmp_path):
    running = script(tmp_path, "time.sleep", [0.01, 0.01, 300, 300], "import time")
    workers = []
    while len(workers) < 2 and running.poll() is None:
        time.sleep(0.05)
        workers = [one for one in started(running.pid) if b"spawn_main" in command(one)]
    time.sleep(1)
    running.kill()
    running.communicate()
    until = time.monotonic() + 20
    while any(b"spawn_main" in command(one) for one in workers) and time.monotonic() < until:
        time.sleep(0.1)
    assert workers and not any(b"spawn_main" in command(one) for one in workers)


@pytest.mark.parametrize(("items", "each"), [(ITEMS[:-1], side_by_side), (ITEMS, one_by_one)])
def test_few_items_or_items_in_turn_are_not_worth_a_process(items, each):
    with in_processes(math.factorial, each, processes_for(len(items))) as do:
        assert do is math.factorial


def test_elsewhere_it_is_the_function_itself():
    with in_processes(math.factorial, side_by_side, 2) as spread:
        assert spread is not math.factorial
        assert pickle.loads(pickle.dumps(spread)) is math.factorial
