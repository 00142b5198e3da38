"""Files that appear whole or not at all."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


@contextmanager
def whole_file(path: Path) -> Iterator[Path]:
    """A temporary path in the folder of ``path``; it replaces ``path`` at the end, and goes where writing fails."""
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        yield part
        os.replace(part, path)
    finally:
        part.unlink(missing_ok=True)


def write_whole(path: Path, content: bytes) -> None:
    """Write ``content`` to ``path``, whose folder is made where it is missing."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with whole_file(path) as part:
        part.write_bytes(content)


def remove_parts(folder: Path) -> None:
    """Remove what killed runs left half written in ``folder``."""
    for left in folder.glob(".*.part"):
        left.unlink(missing_ok=True)
