"""One file of an inbox: what it is called, what its bytes hash to, and how to read them."""

from __future__ import annotations

import hashlib
import io
import lzma
import struct
import zipfile
import zlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import BinaryIO

from chaffinch.pipelines.errors import UnreadableFile

CHUNK_BYTES = 1 << 20
# What unpacking damaged bytes raises.
DAMAGE = (
    OSError,
    EOFError,
    RuntimeError,
    UnicodeError,
    struct.error,
    zlib.error,
    lzma.LZMAError,
    zipfile.BadZipFile,
)
# Ends the name of a second file of one name in an archive.
AGAIN = " (again)"
# Size and time of the last change [ns] of a file on disk.
Stamp = tuple[int, int]


@dataclass(frozen=True, slots=True)
class InboxFile:
    """One file of an inbox, or one task data folder or zip.

    ``name`` is the path inside the inbox with forward slashes; a member of an archive is
    ``archive.zip/member.csv``. ``sha256`` covers the unpacked bytes, of all members for task data. ``opener``
    gives a stream of the unpacked bytes, also in another process. ``refusal`` is set when the file must not be
    read. ``source`` and ``stamp``: the file or folder on disk, and its state before it was hashed (see ``settled``).
    """

    name: str
    size_bytes: int
    sha256: str
    opener: Callable[[], BinaryIO] | None = field(default=None, repr=False)
    members: Mapping[str, Callable[[], bytes]] = field(default_factory=dict, repr=False)
    refusal: str | None = None
    source: Path | None = field(default=None, repr=False, compare=False)
    stamp: Stamp | None = field(default=None, repr=False, compare=False)

    @property
    def is_task_data(self) -> bool:
        """Whether this is a folder or zip of ISO 11783-10 task data."""
        return bool(self.members)

    def open(self) -> BinaryIO:
        """A stream of the unpacked bytes. Raises ``UnreadableFile``."""
        if self.refusal is not None:
            raise UnreadableFile(self.name, self.refusal)
        if self.opener is None:
            raise UnreadableFile(self.name, "It is a set of task data; read its members.")
        try:
            return self.opener()
        except OSError as error:
            raise UnreadableFile(self.name, f"It can't be opened: {error.strerror or error}.") from None

    def read_bytes(self) -> bytes:
        """All unpacked bytes. Raises ``UnreadableFile``."""
        with self.open() as stream:
            try:
                return stream.read()
            except DAMAGE as error:
                raise UnreadableFile(self.name, damage_sentence(error)) from None


def from_bytes(name: str, content: bytes) -> InboxFile:
    """A file in memory, as tests and other programs may have it."""
    digest = hashlib.sha256(content).hexdigest()
    return InboxFile(name, len(content), digest, partial(io.BytesIO, content))


def damage_sentence(error: Exception) -> str:
    if isinstance(error, NotImplementedError):
        return f"It is packed in a way that can't be read here ({error}); pack it as plain zip or gzip."
    if isinstance(error, OSError) and error.strerror:
        return f"It can't be read: {error.strerror}."
    return f"The archive is damaged or cut short ({error}); copy it again."
