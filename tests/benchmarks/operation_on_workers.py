"""A large operation on one Dask worker and on two, its lake in an object store, workers killed at random meanwhile.

    python tests/benchmarks/operation_on_workers.py [--jobs 200] [--workers 1 2] [--folder FOLDER] [--spared]

Field jobs as of ``large_operation.py``. Scheduler, workers of one thread each and the object store (``moto``, a
library for tests) are processes of this machine, spoken to over TCP. Every 10 to 40 seconds one worker is killed, and
another takes its place; ``--spared``: none is. Prints a line for each number of workers. Asked: two workers take at
most 0.65 of the time of one, and leave the same content.
"""

from __future__ import annotations

import argparse
import json
import os
import secrets
import socket
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path
from random import Random
from threading import Event, Thread

from large_operation import Ran, bring, make_season, run

MOST_SHARE = 0.65
PAUSE_S = (10.0, 40.0)
ONE_THREAD = dict.fromkeys(("POLARS_MAX_THREADS", "OMP_NUM_THREADS"), "1")


@contextmanager
def process(folder: Path, *words: str, **environment: str) -> Iterator[subprocess.Popen[bytes]]:
    with (folder / "workers.log").open("ab") as log:
        started = subprocess.Popen(
            [sys.executable, "-m", *words], cwd=folder, env=os.environ | environment, stdout=log, stderr=log
        )
    try:
        yield started
    finally:
        started.kill()
        started.wait()


def wait_for(what: str, there: Callable[[], bool]) -> None:
    for _ in range(1200):
        if there():
            return
        time.sleep(0.1)
    sys.exit(f"{what} did not start within two minutes.")


def free_port() -> int:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        return int(free.getsockname()[1])


def answers(port: int) -> bool:
    with suppress(OSError), socket.create_connection(("127.0.0.1", port), 1):
        return True
    return False


@contextmanager
def object_store(folder: Path) -> Iterator[str]:
    """The URI of an empty bucket, which the environment gives access to."""
    port = free_port()
    with process(folder, "moto.server", "-H", "127.0.0.1", "-p", str(port)):
        wait_for("The object store", lambda: answers(port))
        os.environ |= {
            "AWS_ENDPOINT_URL": f"http://127.0.0.1:{port}",
            "AWS_ALLOW_HTTP": "true",
            "AWS_REGION": "us-east-1",
            "AWS_ACCESS_KEY_ID": "benchmark",
            "AWS_SECRET_ACCESS_KEY": "benchmark",
        }
        urllib.request.urlopen(urllib.request.Request(f"http://127.0.0.1:{port}/operation", method="PUT"))
        yield "s3://operation/lake"


class Workers:
    """Workers of a scheduler. ``disturb``: from now on one is killed now and then, and replaced."""

    def __init__(self, folder: Path, address: str, count: int) -> None:
        self.folder, self.address = folder, address
        self.killed, self._ended, self._thread = 0, Event(), Thread()
        self._stacks = [self._started() for _ in range(count)]

    def _started(self) -> ExitStack:
        stack = ExitStack()
        words = ("worker", self.address, "--nthreads", "1", "--no-nanny", "--no-dashboard")
        stack.enter_context(process(self.folder, "dask", *words, **ONE_THREAD))
        return stack

    def disturb(self, chance: Random) -> None:
        self._thread = Thread(target=self._kill, args=(chance,))
        self._thread.start()

    def _kill(self, chance: Random) -> None:
        while not self._ended.wait(chance.uniform(*PAUSE_S)):
            one = chance.randrange(len(self._stacks))
            self._stacks[one].close()
            self._stacks[one] = self._started()
            self.killed += 1

    def stop(self) -> None:
        self._ended.set()
        if self._thread.ident is not None:
            self._thread.join()
        for stack in self._stacks:
            stack.close()


def night(folder: Path, inbox: Path, count: int, seed: int | None) -> tuple[Ran, str, int]:
    """A night on so many workers: what it took, the digest of its lake, and how many workers were killed."""
    from chaffinch.pipelines.lake import Lake
    from distributed import Client

    file = folder / "scheduler.json"
    file.unlink(missing_ok=True)
    words = (
        "scheduler",
        "--host",
        "127.0.0.1",
        "--port",
        "0",
        "--no-dashboard",
        "--scheduler-file",
        str(file),
    )
    with object_store(folder) as lake, process(folder, "dask", *words):
        wait_for("The scheduler", lambda: file.is_file() and file.read_text().rstrip().endswith("}"))
        address = json.loads(file.read_text())["address"]
        workers = Workers(folder, address, count)
        try:
            with Client(address, timeout=60, set_as_default=False) as client:
                client.wait_for_workers(count, timeout=300)
            if seed is not None:
                workers.disturb(Random(seed))
            site = folder / f"site_{count}"
            ran = run("nightly", inbox, "--lake", lake, "--site", site, "--workers", address)
        finally:
            workers.stop()
        return ran, Lake.open(lake).digest(), workers.killed


def main() -> int:
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("--jobs", type=int, default=200)
    asked.add_argument("--workers", type=int, nargs="+", default=[1, 2])
    asked.add_argument("--folder", type=Path, help="keep everything there; a season there is used again")
    asked.add_argument("--spared", action="store_true", help="no worker is killed")
    options = asked.parse_args()
    with tempfile.TemporaryDirectory() as place:
        folder = options.folder or Path(place)
        bring(make_season(folder, options.jobs), folder / "inbox", options.jobs)
        os.environ |= {"PREFECT_HOME": str(folder / "prefect"), "CHAFFINCH_RETRY_DELAYS_S": "1,2,5"}
        os.environ.pop("CHAFFINCH_PLAIN", None)
        took, digests = [], set()
        for count in options.workers:
            seed = None if options.spared else secrets.randbits(31)
            ran, digest, killed = night(folder, folder / "inbox", count, seed)
            took.append(ran.seconds)
            digests.add(digest)
            print(
                f"{options.jobs} field jobs on {count} worker{'s' * (count > 1)}: {ran.seconds:.1f} s, "
                f"{ran.seconds / took[0]:.2f} of the first, the night itself {ran.processor_s:.1f} s of processors, "
                f"{ran.peak_gib:.2f} GiB, {killed} workers killed (seed {seed}), content {digest[:16]}",
                flush=True,
            )
        print(
            f"{len(digests)} content; within {MOST_SHARE} of the time of one: {took[-1] <= MOST_SHARE * took[0]}"
        )
        return 0 if len(digests) == 1 and took[-1] <= MOST_SHARE * took[0] else 1


if __name__ == "__main__":
    sys.exit(main())
