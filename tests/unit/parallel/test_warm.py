"""Little work is done by processes that are there already, if any are, and by nobody else."""

from __future__ import annotations

import math
import os
import pickle
import signal
import time
from pathlib import Path

import psutil
import pytest
from chaffinch.pipelines.parallel import warm
from chaffinch.pipelines.parallel.fan_out import one_by_one, side_by_side
from chaffinch.pipelines.parallel.processes import in_processes, through_processes
from chaffinch.pipelines.parallel.warm import done_warm, warm_processes, warm_up

pytestmark = pytest.mark.seconds


@pytest.fixture(autouse=True)
def two_processors(monkeypatch):
    monkeypatch.setattr(warm, "processors", lambda: 2)
    monkeypatch.setattr("chaffinch.pipelines.parallel.fan_out.processors", lambda: 2)


def test_little_work_is_done_by_processes_that_end_with_the_night():
    with warm_processes():
        warm_up("decimal")
        assert list(through_processes(side_by_side, "do", math.factorial, [3, 4], str)) == [6, 24]
        # The link is read where the work is done.
        (done_by,) = through_processes(side_by_side, "do", os.readlink, ["/proc/self"], str)
        mine = [one.pid for one in psutil.Process().children() if "spawn_main" in " ".join(one.cmdline())]
        assert int(done_by) in mine and len(mine) == 2
    until = time.monotonic() + 20
    while any(psutil.pid_exists(one) for one in mine) and time.monotonic() < until:
        time.sleep(0.05)
    assert not any(psutil.pid_exists(one) for one in mine)


def test_imports_are_done_ahead(tmp_path, monkeypatch):
    (tmp_path / "made_for_this_test.py").write_text(f"open({str(tmp_path / 'imported')!r}, 'a').write('1')")
    monkeypatch.syspath_prepend(tmp_path)
    with warm_processes():
        warm_up("made_for_this_test")
        assert done_warm(math.factorial)(3) == 6 and done_warm(math.factorial)(4) == 24
        until = time.monotonic() + 20
        while not (tmp_path / "imported").exists() and time.monotonic() < until:
            time.sleep(0.05)
    assert (tmp_path / "imported").read_text() in ("1", "11")


def test_without_a_night_around_it_nothing_is_started():
    warm_up("decimal")
    assert done_warm(math.factorial) is math.factorial


def test_work_in_turn_stays_here():
    with warm_processes():
        warm_up()
        with in_processes(math.factorial, one_by_one, 1) as do:
            assert do is math.factorial
        with in_processes(math.factorial, side_by_side, 0) as do:
            assert do is math.factorial


def test_elsewhere_it_is_the_function_itself():
    with warm_processes():
        warm_up()
        assert pickle.loads(pickle.dumps(done_warm(math.factorial))) is math.factorial


def test_what_a_lost_process_had_is_done_here():
    with warm_processes():
        warm_up()
        do = done_warm(math.factorial)
        assert do(3) == 6
        for one in psutil.Process().children():
            if "spawn_main" in " ".join(one.cmdline()):
                os.kill(one.pid, signal.SIGKILL)
        assert [do(n) for n in (4, 5)] == [24, 120]


def test_a_failure_is_raised_as_it_was(tmp_path: Path):
    with warm_processes():
        warm_up()
        with pytest.raises(FileNotFoundError):
            done_warm(os.listdir)(str(tmp_path / "missing"))
