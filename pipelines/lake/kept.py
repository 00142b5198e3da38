"""What was worked out once and may be asked for again, kept in the lake beside its tables.

Each entry is one file under the digest of all that it was made from, so that nothing in it can be out of date.
No table knows of it: an entry that is gone, cut short or spoilt is made anew, and no entry ever counts as content.
"""

from __future__ import annotations

import hashlib
import os
import threading
from collections.abc import Callable, Collection
from contextlib import suppress
from pathlib import Path
from typing import Protocol

FOLDER = ".kept"


class Shelf(Protocol):
    """Files of one folder, by name. Whatever storage refuses is raised as it comes."""

    def read(self, name: str) -> bytes: ...

    def write(self, name: str, content: bytes) -> None: ...

    def delete(self, name: str) -> None: ...

    def names(self) -> list[str]: ...


class Kept:
    """Entries below the lake at ``uri``. ``may_write``: whether this process holds the lake for writing now."""

    def __init__(self, uri: str, may_write: Callable[[], bool]) -> None:
        self._may_write = may_write
        self._shelf: Shelf | None = None
        # Without storage that answers there is nothing kept, and all is made anew.
        with suppress(Exception):
            self._shelf = _InStore(uri) if "://" in uri else _InFolder(Path(uri) / FOLDER)

    def get(self, name: str) -> bytes | None:
        """The content of an entry; None where there is none that is whole."""
        if self._shelf is None:
            return None
        with suppress(Exception):
            head, _, content = self._shelf.read(name).partition(b"\n")
            if head == _head(name, content):
                return content
        return None

    def put(self, name: str, content: bytes) -> None:
        """Keep ``content``, where that can be done: a full disk or a store that is away only costs time."""
        if self._shelf is not None and self._may_write():
            with suppress(Exception):
                self._shelf.write(name, _head(name, content) + b"\n" + content)

    def only(self, names: Collection[str]) -> None:
        """Delete every entry but ``names``, and what killed runs left half written."""
        if self._shelf is None or not self._may_write():
            return
        with suppress(Exception):
            for name in set(self._shelf.names()) - set(names):
                self._shelf.delete(name)


def _head(name: str, content: bytes) -> bytes:
    """An entry under a wrong name is as good as spoilt."""
    return f"{name} {hashlib.sha256(content).hexdigest()}".encode()


class _InFolder:
    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def read(self, name: str) -> bytes:
        return (self._folder / name).read_bytes()

    def write(self, name: str, content: bytes) -> None:
        # Not its parents: where the lake's folder went away, nothing comes in its place.
        self._folder.mkdir(exist_ok=True)
        part = self._folder / f"{name}.{os.getpid()}-{threading.get_ident()}.part"
        try:
            part.write_bytes(content)
            part.replace(self._folder / name)
        except OSError:
            part.unlink(missing_ok=True)
            raise

    def delete(self, name: str) -> None:
        (self._folder / name).unlink(missing_ok=True)

    def names(self) -> list[str]:
        return [entry.name for entry in self._folder.iterdir()] if self._folder.is_dir() else []


class _InStore:
    def __init__(self, uri: str) -> None:
        from chaffinch.pipelines.lake.lease import store_at

        self._store = store_at(uri)

    def read(self, name: str) -> bytes:
        return bytes(self._store.get(f"{FOLDER}/{name}").bytes())

    def write(self, name: str, content: bytes) -> None:
        self._store.put(f"{FOLDER}/{name}", content)

    def delete(self, name: str) -> None:
        self._store.delete(f"{FOLDER}/{name}")

    def names(self) -> list[str]:
        return [entry["path"].rpartition("/")[2] for some in self._store.list(FOLDER) for entry in some]
