"""One writer at a time in an object store, which knows no locks: a lease on one small object.

Object stores can write an object only if it is not there, or only if it is still the one that was read. So the
object says who writes, and its holder writes it again all the time. Whoever waits times it by its own clock,
so that clocks that disagree do no harm: a lease that nobody renewed for ``LEASE_S`` is nobody's.
"""

from __future__ import annotations

import json
import os
import socket
import threading
import time
import uuid
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

from chaffinch.pipelines.errors import LakeError
from chaffinch.pipelines.lake.exclusive import LOCK_FILE
from chaffinch.pipelines.lake.storage_errors import in_one_line

if TYPE_CHECKING:
    from obstore.store import ObjectStore

LEASE_S = 90.0
RENEWED_EVERY_S = 15.0
# A holder that was held up stops writing well before another one may begin.
SURE_PART = 0.6
LOOKED_AT_EVERY_S = 2.0
_FREE = "nobody"


@contextmanager
def leased(uri: str, say: Callable[[str], None]) -> Iterator[Callable[[], bool]]:
    """Hold the only right to write below ``uri``. Waits for another run, and says so once.

    Returns a function that says whether the lease still holds: it is lost where the store could not be reached
    for a while, or this machine slept. Raises ``LakeError`` where the store can't be reached or used so.
    """
    lease = _Lease(store_at(uri), uri)
    lease.acquire(say)
    stop = threading.Event()
    renewing = threading.Thread(target=lease.keep, args=(stop,), name="lease", daemon=True)
    renewing.start()
    try:
        yield lease.holds
    finally:
        stop.set()
        renewing.join()
        lease.release()


@dataclass(slots=True)
class _Lease:
    store: ObjectStore
    uri: str
    turn: str = field(default_factory=lambda: uuid.uuid4().hex)
    mark: str | None = None
    renewed_at: float = 0.0
    lost: bool = False

    def acquire(self, say: Callable[[str], None]) -> None:
        watched, since, said = None, _now(), False
        while True:
            holder, _, mark = self._read()
            if mark != watched:
                watched, since = mark, _now()
            if mark is None or holder == _FREE or _now() - since > LEASE_S:
                if self._write(_myself(), mark):
                    return
                continue
            if not said:
                say(f"Waiting: {holder} is writing to {self.uri}.")
                said = True
            time.sleep(LOOKED_AT_EVERY_S)

    def keep(self, stop: threading.Event) -> None:
        """Renew until ``stop``, or until somebody else has it."""
        while not stop.wait(RENEWED_EVERY_S) and not self.lost:
            # What passes is tried again the next time; ``holds`` is false when that took too long.
            with suppress(LakeError):
                if not self._write(_myself(), self.mark):
                    # It may be our own writing whose answer never came.
                    _, turn, self.mark = self._read()
                    self.lost = turn != self.turn

    def holds(self) -> bool:
        return not self.lost and _now() - self.renewed_at < SURE_PART * LEASE_S

    def release(self) -> None:
        if not self.lost:
            with suppress(LakeError):
                self._write(_FREE, self.mark)

    def _read(self) -> tuple[str, str, str | None]:
        """Who writes, in which turn, and the mark of the object; no mark where there is none yet."""
        with self._named_failures():
            try:
                found = self.store.get(LOCK_FILE)
            except FileNotFoundError:
                return _FREE, "", None
            mark = found.meta["e_tag"]
            try:
                lease = json.loads(bytes(found.bytes()))
                return str(lease["holder"]), str(lease["turn"]), mark
            except (ValueError, KeyError, TypeError):
                return "another run", "", mark

    def _write(self, holder: str, mark: str | None) -> bool:
        """Put ``holder`` in place of what has ``mark``; False where it is no longer that."""
        from obstore.exceptions import AlreadyExistsError, PreconditionError

        # Never the same twice, for the mark of some stores is a digest of the content.
        content = {"holder": holder, "turn": self.turn, "at": f"{datetime.now(UTC):%Y-%m-%d %H:%M:%S.%f}"}
        begun = _now()
        how: Any = "create" if mark is None else {"e_tag": mark}
        with self._named_failures():
            try:
                put = self.store.put(LOCK_FILE, json.dumps(content).encode(), mode=how)
            except (AlreadyExistsError, PreconditionError):
                return False
            except FileNotFoundError:
                if mark is None:
                    raise
                return False
        self.mark, self.renewed_at = put["e_tag"], begun
        return True

    @contextmanager
    def _named_failures(self) -> Iterator[None]:
        from obstore.exceptions import BaseError, PermissionDeniedError, UnauthenticatedError

        try:
            yield
        except (BaseError, OSError) as error:
            refused = isinstance(error, (PermissionDeniedError, UnauthenticatedError, PermissionError))
            raise LakeError(
                f"{self.uri} can't be written to: {in_one_line(error)}. See whether the bucket, its address and "
                "the keys in the environment are right.",
                may_pass=not refused,
            ) from error


def store_at(uri: str) -> ObjectStore:
    """The objects below ``uri``. Raises ``LakeError`` where no store there can be used."""
    try:
        from obstore.exceptions import BaseError
        from obstore.store import from_url
    except ImportError:
        raise LakeError(
            "A lake in an object store needs the package obstore; install it with: "
            "pip install 'chaffinch[object-store]'."
        ) from None
    try:
        return from_url(uri, retry_config={"max_retries": 5, "retry_timeout": timedelta(seconds=30)})
    except (BaseError, ValueError) as error:
        raise LakeError(
            f"{uri} is not an object store that can be used: {str(error).splitlines()[0]}."
        ) from None


def _myself() -> str:
    return f"process {os.getpid()} on {socket.gethostname()}"


def _now() -> float:
    """Seconds that go on while the machine sleeps, where the system has such a clock."""
    if hasattr(time, "CLOCK_BOOTTIME"):
        return time.clock_gettime(time.CLOCK_BOOTTIME)
    return time.monotonic()
