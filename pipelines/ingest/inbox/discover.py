"""Find the files of an inbox, at any depth, plain or compressed, without reading more than their hash needs.

A folder or zip with a ``TASKDATA.XML`` is one file whose members belong together. Whatever can't be trusted
(a link that leads outside, a hostile archive) is still yielded, so that it is on record, but refuses to be
read with one sentence.
"""

from __future__ import annotations

import gzip
import hashlib
import io
import os
import re
import stat
import time
import zipfile
from collections.abc import Callable, Iterable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from functools import lru_cache, partial
from pathlib import Path, PurePosixPath
from typing import BinaryIO

from chaffinch.pipelines.errors import CallError, UnreadableFile
from chaffinch.pipelines.ingest.inbox.guard import blamed_on
from chaffinch.pipelines.ingest.inbox.inbox_file import (
    AGAIN,
    CHUNK_BYTES,
    DAMAGE,
    InboxFile,
    Stamp,
    damage_sentence,
)
from chaffinch.pipelines.ingest.inbox.settled import is_young, stamp_of
from chaffinch.pipelines.ingest.inbox.workbook import UnreadableWorkbook, filled_sheets, is_workbook
from chaffinch.pipelines.parallel.fan_out import processors
from chaffinch.schemas.tables import tables

SEEN_HOLDS_S = 120.0
# The record of what the pages were made from, next to index.html; and the folders of the other pages.
SITE_RECORD = "made_from.txt"
SITE_FOLDERS = ("assets", "fields", "machines", "crops", "trials", "sensors", "start_sheets")
MOST_UNPACKED_BYTES = 2 << 30
MOST_RATIO = 200
MOST_FILES = 100_000
# Below this size a high ratio is only a repetitive log, and harmless.
RATIO_FREE_BYTES = 16 << 20
_SKIPPED_NAMES = frozenset({"thumbs.db", "desktop.ini", "__macosx"})
_STANDARD_STEM = re.compile(r"[A-Za-z]{3}\d{4,5}")
_TIME_LOG = re.compile(r"TLG-?\d{1,10}\.BIN", re.IGNORECASE)
_ZIPPED = (b"PK\x03\x04", b"PK\x05\x06")
_SKIPPED_ENDINGS = (".part", ".tmp", ".crdownload", "~")

# What lay at a path under a name: its state then, when it was looked at, what was found.
_seen: dict[tuple[Path, str], tuple[Stamp | None, float, tuple[InboxFile, ...]]] = {}


def find_files(inbox: Path) -> Iterator[InboxFile]:
    """The files of ``inbox`` in the order of their names. Raises ``CallError`` if there is no such folder."""
    inbox = Path(inbox)
    if not inbox.is_dir():
        raise CallError(f"{inbox} is not a folder; give the folder that the logs lie in.")
    # Hashing leaves the interpreter to other threads.
    with ThreadPoolExecutor(processors(), thread_name_prefix="find") as pool:
        looked: Iterator[list[InboxFile]] = pool.map(list, _walk(inbox, inbox.resolve(), ""))
        for found in looked:
            yield from found


def single_file(path: Path) -> list[InboxFile]:
    """What one file or folder outside any inbox holds: several for an archive. Raises ``CallError``."""
    path = Path(path)
    if path.is_dir():
        return list(find_files(path))
    if not path.is_file():
        raise CallError(f"{path} is neither a file nor a folder.")
    return list(_looked_at(path, _from_path, path.name))


def is_skipped(name: str) -> bool:
    """Whether ``name`` is a hidden or temporary file: never data, so it is not even on record."""
    lower = name.lower()
    return lower.startswith((".", "~$")) or lower in _SKIPPED_NAMES or lower.endswith(_SKIPPED_ENDINGS)


def _walk(folder: Path, root: Path, prefix: str) -> Iterator[Iterable[InboxFile]]:
    """What is to be looked at, in order; nothing is opened before it is asked for.

    Folders wait on a list of their own: a deep one must not exhaust the stack.
    """
    folders = [_listed(folder, root, prefix)]
    while folders:
        found = next(folders[-1], None)
        if found is None:
            folders.pop()
        elif isinstance(found, tuple):
            folders.append(_listed(found[0], root, found[1]))
        else:
            yield found


def _listed(folder: Path, root: Path, prefix: str) -> Iterator[Iterable[InboxFile] | tuple[Path, str]]:
    """What is to be looked at in one folder; folders in it as path and prefix of names."""
    try:
        entries = sorted(os.scandir(folder), key=lambda entry: entry.name)
    except OSError as error:
        yield [_refused(prefix.rstrip("/") or ".", f"The folder can't be listed: {error.strerror}.")]
        return
    # A table of a lake that lies in the inbox would feed on itself.
    entries = [e for e in entries if not (e.name in tables() and os.path.isdir(f"{e.path}/_delta_log"))]
    if {SITE_RECORD, "index.html"} <= {entry.name for entry in entries}:
        pages = (SITE_RECORD, *SITE_FOLDERS)
        entries = [e for e in entries if e.name not in pages and not e.name.endswith(".html")]
    holds_task_data = any(_marks_task_data(entry.name) and entry.is_file() for entry in entries)
    if holds_task_data:
        yield _stamped(folder, _task_folder, prefix.rstrip("/") or "TASKDATA.XML")
    for entry in entries:
        name = prefix + printable(entry.name)
        if is_skipped(entry.name) or (holds_task_data and _is_member(entry.name) and entry.is_file()):
            continue
        path = Path(entry.path)
        if entry.is_symlink() and not _leads_inside(path, root):
            reason = "It is a link that leads outside the inbox or nowhere; copy the file itself here."
            yield [_refused(name, reason)]
        elif entry.is_dir(follow_symlinks=False):
            yield path, f"{name}/"
        elif entry.is_file():
            yield _stamped(path, _from_path, name)
        elif not entry.is_dir():
            yield [_refused(name, "It is neither a file nor a folder; copy the data itself here.")]


def _stamped(path: Path, look: Callable[[Path, str], Iterable[InboxFile]], name: str) -> Iterator[InboxFile]:
    """What ``look`` finds at ``path``, with the state that it had before.

    A night looks twice: whether there is anything to do, and then to do it. What it saw a moment ago holds for a
    file at rest.
    """
    before = stamp_of(path)
    known = _seen.get((path, name))
    if (
        known is not None
        and known[0] == before
        and time.monotonic() - known[1] < SEEN_HOLDS_S
        and not is_young(before)
    ):
        yield from known[2]
        return
    found = tuple(replace(file, source=path, stamp=before) for file in _looked_at(path, look, name))
    _seen[path, name] = (before, time.monotonic(), found)
    yield from found


def _looked_at(
    path: Path, look: Callable[[Path, str], Iterable[InboxFile]], name: str
) -> tuple[InboxFile, ...]:
    """What ``look`` finds at ``path``; whatever is wrong with it is recorded as a refusal."""
    try:
        with blamed_on(name):
            return tuple(look(path, name))
    except UnreadableFile as fault:
        return (_refused(name, fault.reason) if path.is_dir() else _refused_path(path, name, fault.reason),)


def printable(name: str) -> str:
    """``name`` as valid text: bytes that are not UTF-8 and control characters become U+FFFD."""
    text = os.fsencode(name).decode("utf-8", "replace")
    return "".join(c if c.isprintable() else "\ufffd" for c in text)


def _leads_inside(path: Path, root: Path) -> bool:
    try:
        target = path.resolve(strict=True)
    except (OSError, RuntimeError):
        return False
    # A link to a folder is refused as well: its files lie in the inbox already, and loops end nowhere.
    return target.is_relative_to(root) and target.is_file()


def _from_path(path: Path, name: str) -> Iterator[InboxFile]:
    try:
        with path.open("rb") as stream:
            magic = stream.read(4)
        if magic[:2] == b"\x1f\x8b":
            packed_bytes = path.stat().st_size
            yield _measured(name, partial(gzip.GzipFile, path), packed_bytes)  # type: ignore[arg-type]
        elif magic in _ZIPPED:
            yield from _zip(path, name)
        else:
            yield _measured(name, partial(_open_path, path))
    except OSError as error:
        yield _refused(name, f"It can't be opened: {error.strerror}.")


def _open_path(path: Path) -> BinaryIO:
    return path.open("rb")


def _measured(name: str, opener: Callable[[], BinaryIO], packed_bytes: int | None = None) -> InboxFile:
    """Hash the stream in pieces, giving up once it unpacks beyond the limits."""
    digest, size = hashlib.sha256(), 0
    try:
        with opener() as stream:
            while piece := stream.read(CHUNK_BYTES):
                digest.update(piece)
                size += len(piece)
                if (reason := _too_large(size, packed_bytes)) is not None:
                    return _refused_part(name, reason, size, digest.hexdigest())
    except DAMAGE as error:
        return _refused_part(name, damage_sentence(error), size, digest.hexdigest())
    return InboxFile(name, size, digest.hexdigest(), opener)


def _too_large(size: int, packed_bytes: int | None) -> str | None:
    if size > MOST_UNPACKED_BYTES:
        return "It holds more than 2 GiB, more than a season's log; split it, or see what went wrong."
    if packed_bytes is not None and size > max(RATIO_FREE_BYTES, MOST_RATIO * packed_bytes):
        return (
            f"It unpacks to more than {MOST_RATIO} times its size, as no log does; unpack it and look inside."
        )
    return None


@lru_cache(maxsize=8)
def _archive(path: Path, stamp: Stamp | None) -> zipfile.ZipFile:
    """The archive at ``path`` in the state ``stamp``, kept open: its list of members is read once, not for each."""
    return zipfile.ZipFile(path)


def _zip(path: Path, name: str) -> Iterator[InboxFile]:
    try:
        infos = [info for info in _archive(path, stamp_of(path)).infolist() if not info.is_dir()]
    except (zipfile.BadZipFile, OSError, ValueError, NotImplementedError) as error:
        yield _refused_path(path, name, damage_sentence(error))
        return
    hostile = _hostile(infos)
    if hostile is not None:
        yield _refused_path(path, name, hostile)
        return
    if is_workbook(infos):
        yield from _workbook(path, name, infos)
        return
    if any(info.filename == "[Content_Types].xml" for info in infos):
        yield _refused_path(path, name, "It is an office document; export the sheet with the log as CSV.")
        return
    infos = [i for i in infos if not any(map(is_skipped, PurePosixPath(_slashed(i.filename)).parts))]
    tasks = sorted({_parent(i.filename) for i in infos if _marks_task_data(i.filename)})
    claimed: set[str] = set()
    found: list[InboxFile] = []
    for folder in tasks:
        inside = [i for i in infos if _parent(i.filename) == folder and _is_member(i.filename)]
        claimed.update(i.filename for i in inside)
        readers: dict[str, Callable[[], bytes]] = {}
        for info in inside:
            member = _slashed(info.filename).removeprefix(folder)
            while member in readers:
                member += AGAIN
            readers[member] = partial(_read_member, path, info)
        found.append(_task_data(f"{name}/{printable(folder)}".rstrip("/"), readers))
    for info in infos:
        if info.filename not in claimed:
            found.append(_zip_member(path, f"{name}/{printable(info.filename)}", info))
    if not found:
        yield _refused_path(path, name, "The archive holds no files.")
    yield from sorted(found, key=lambda f: f.name)


def _workbook(path: Path, name: str, infos: list[zipfile.ZipInfo]) -> Iterator[InboxFile]:
    """Each sheet as a file of its own; it is made again when it is opened, so that memory does not grow."""
    try:
        found = filled_sheets(path, infos)
    except UnreadableWorkbook as error:
        yield _refused_path(path, name, str(error))
        return
    for sheet, content in found:
        digest, opener = hashlib.sha256(content).hexdigest(), partial(_open_sheet, path, infos, sheet)
        yield InboxFile(f"{name}/{printable(sheet)}", len(content), digest, opener)


def _open_sheet(path: Path, infos: list[zipfile.ZipInfo], sheet: str) -> BinaryIO:
    try:
        return io.BytesIO(filled_sheets(path, infos, sheet)[0][1])
    except UnreadableWorkbook as error:
        raise OSError(f"the workbook changed while it was read ({error})") from None


def _hostile(infos: list[zipfile.ZipInfo]) -> str | None:
    for info in infos:
        parts = PurePosixPath(info.filename.replace("\\", "/")).parts
        if info.filename.startswith(("/", "\\")) or ".." in parts or (parts and parts[0].endswith(":")):
            return (
                f"The archive names a file outside itself ('{printable(info.filename)}'); it was not opened."
            )
        if stat.S_ISLNK(info.external_attr >> 16):
            return (
                f"The archive holds a link ('{printable(info.filename)}') in place of a file; pack the file."
            )
        if info.flag_bits & 1:
            return "The archive is locked with a password; unpack it and put the files here."
    if len(infos) > MOST_FILES:
        return f"The archive holds {len(infos)} files, more than any season; unpack it and look inside."
    unpacked, packed = sum(i.file_size for i in infos), sum(i.compress_size for i in infos)
    return _too_large(unpacked, packed)


def _zip_member(path: Path, name: str, info: zipfile.ZipInfo) -> InboxFile:
    opener = partial(_open_member, path, info)
    try:
        with opener() as stream:
            magic = stream.read(4)
    except DAMAGE as error:
        return _refused(name, damage_sentence(error))
    if magic in _ZIPPED:
        refused = _measured(name, opener, info.compress_size)
        return _refused(
            name, "It is an archive inside an archive; unpack it once.", refused.size_bytes, refused.sha256
        )
    if magic[:2] == b"\x1f\x8b":
        packed = max(info.compress_size, 1)
        return _measured(name, partial(_open_packed_member, path, info), packed)
    return _measured(name, opener, info.compress_size)


def _open_member(path: Path, info: zipfile.ZipInfo) -> BinaryIO:
    return _archive(path, stamp_of(path)).open(info)  # type: ignore[return-value]


def _open_packed_member(path: Path, info: zipfile.ZipInfo) -> BinaryIO:
    return gzip.GzipFile(fileobj=_open_member(path, info))  # type: ignore[return-value]


def _read_member(path: Path, info: zipfile.ZipInfo) -> bytes:
    with _open_member(path, info) as stream:
        # Without a bound zipfile unpacks a member that declares too small a size to its end, in memory.
        return stream.read(info.file_size + 1)


def _marks_task_data(name: str) -> bool:
    """Whether a file makes its folder one of task data: the task file, or a time log that has lost it."""
    plain = PurePosixPath(_slashed(name)).name
    return plain.upper() == "TASKDATA.XML" or _TIME_LOG.fullmatch(plain) is not None


def _is_member(name: str) -> bool:
    """Whether a file in the folder of a ``TASKDATA.XML`` belongs to it; other logs there are separate files.

    Terminals leave copies of a log in their own formats, such as ``TLG00001.CSV``: not read twice.
    """
    path = PurePosixPath(_slashed(name))
    return path.suffix.lower() in (".xml", ".bin", ".xsd") or _STANDARD_STEM.fullmatch(path.stem) is not None


def _slashed(name: str) -> str:
    """``name`` with forward slashes; some programs pack the other ones."""
    return name.replace("\\", "/")


def _parent(name: str) -> str:
    parent = str(PurePosixPath(_slashed(name)).parent)
    return "" if parent == "." else f"{parent}/"


def _task_folder(folder: Path, name: str) -> Iterator[InboxFile]:
    root = folder.resolve()
    paths = [p for p in sorted(folder.iterdir()) if _is_member(p.name) and not is_skipped(p.name)]
    paths = [p for p in paths if p.is_file() and p.resolve().is_relative_to(root)]
    size = sum(p.stat().st_size for p in paths)
    if size > MOST_UNPACKED_BYTES:
        yield _refused(name, "The task data hold more than 2 GiB; split them by task.", size)
    else:
        yield _task_data(name, {printable(p.name): p.read_bytes for p in paths})


def _task_data(name: str, readers: Mapping[str, Callable[[], bytes]]) -> InboxFile:
    """One file of all members; the hash covers each name, length and content, of a damaged one the damage."""
    digest, size = hashlib.sha256(), 0
    for member in sorted(readers):
        try:
            content = readers[member]()
        except OSError as error:
            return _refused(f"{name}/{member}", damage_sentence(error))
        except DAMAGE as error:
            # The reader sets this one aside and reads the others.
            content = damage_sentence(error).encode()
        label = member.encode("utf-8", "surrogateescape")
        digest.update(len(label).to_bytes(8, "big") + label + len(content).to_bytes(8, "big") + content)
        size += len(content)
        if size > MOST_UNPACKED_BYTES:
            return _refused(name, "The task data hold more than 2 GiB; split them by task.", size)
    return InboxFile(name, size, digest.hexdigest(), None, dict(sorted(readers.items())))


def _refused_path(path: Path, name: str, reason: str) -> InboxFile:
    """A refused file on disk: its hash is that of the packed bytes, so that it is recognised again."""
    measured = _measured(name, partial(_open_path, path))
    return _refused(name, reason, measured.size_bytes, measured.sha256)


def _refused(name: str, reason: str, size: int = 0, sha256: str | None = None) -> InboxFile:
    """A refused file. ``sha256``: of all its bytes; without it, name and reason replace the content."""
    own = sha256 or hashlib.sha256(f"{name}\0{reason}".encode()).hexdigest()
    return InboxFile(name, size, own, refusal=reason)


def _refused_part(name: str, reason: str, size: int, part_sha256: str) -> InboxFile:
    """A file read in part only: another may hold just that part, so the name distinguishes them."""
    own = hashlib.sha256(f"{name}\0{reason}\0{part_sha256}".encode()).hexdigest()
    return InboxFile(name, size, own, refusal=reason)
