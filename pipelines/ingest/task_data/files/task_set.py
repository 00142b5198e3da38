"""The files of task data, out of a folder or a zip, without unpacking and without following links.

A member is a name with forward slashes and a function that reads its bytes. Real bytes are counted while
reading; sizes that an archive declares are not trusted.
"""

from __future__ import annotations

import os
import stat
import zipfile
import zlib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath

from chaffinch.pipelines.errors import UnreadableFile

# A second file of one name in an archive goes by the name with this behind it.
AGAIN = " (again)"
MAX_MEMBERS = 20_000
MAX_TOTAL_BYTES = 2 * 2**30
MAX_RATIO = 200
SMALL_BYTES = 10 * 2**20

Members = Mapping[str, Callable[[], bytes]]


# What unpacking a damaged member raises.
DAMAGE = (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError)


class DamagedMember(UnreadableFile):
    """One file of an archive can't be unpacked; the others may be sound."""


@dataclass(slots=True)
class Budget:
    """How many bytes may still be unpacked out of one archive."""

    left: int = MAX_TOTAL_BYTES


@dataclass(frozen=True, slots=True)
class TaskSet:
    """One TASKDATA.XML with the files beside it; names are looked up whatever their case.

    clashes : files whose name the set holds already, in other case or twice; not looked up.
    """

    folder: str
    files: Mapping[str, Callable[[], bytes]]
    clashes: tuple[str, ...] = ()
    _by_case: dict[str, str] = field(default_factory=dict)

    def name_of(self, wanted: str) -> str | None:
        """The name as it stands, exact case first; None when there is no such file."""
        return wanted if wanted in self.files else self._by_case.get(wanted.casefold())

    def read(self, wanted: str) -> bytes | None:
        """Bytes of a file beside TASKDATA.XML; None when there is no such file. Raises ``DamagedMember``."""
        name = self.name_of(wanted)
        return None if name is None else self.content(name)

    def content(self, name: str) -> bytes:
        """Bytes of the file of just this name. Raises ``DamagedMember``."""
        try:
            return self.files[name]()
        except DAMAGE as error:
            raise DamagedMember(name, f"is damaged where it is packed ({type(error).__name__}).") from None


def folder_members(folder: Path) -> Members:
    """Members of a folder, any depth. Links are not followed."""
    if not folder.is_dir():
        raise UnreadableFile(str(folder), "there is no such folder.")
    members: dict[str, Callable[[], bytes]] = {}
    for where, folders, names in os.walk(folder, followlinks=False):
        folders.sort()
        for name in sorted(names):
            path = Path(where, name)
            if path.is_symlink() or not path.is_file():
                continue
            if path.stat().st_size > MAX_TOTAL_BYTES:
                raise UnreadableFile(name, f"is larger than {MAX_TOTAL_BYTES // 2**30} GiB, as no log is.")
            members[path.relative_to(folder).as_posix()] = path.read_bytes
    return members


def zip_members(archive: Path) -> Members:
    """Members of a zip, each read when asked for and never written to disk.

    Raises ``UnreadableFile`` for what no exporter writes and an attacker does: names that lead out of the
    archive, links, encrypted members, an archive inside the archive, far too many or far too large members.
    """
    name = archive.name
    try:
        opened = zipfile.ZipFile(archive)
    except (zipfile.BadZipFile, OSError, ValueError, NotImplementedError, RecursionError) as error:
        raise UnreadableFile(
            name, f"cannot be opened as a zip ({type(error).__name__}); export it anew."
        ) from None
    entries = [entry for entry in opened.infolist() if not entry.is_dir()]
    if len(entries) > MAX_MEMBERS:
        raise UnreadableFile(name, f"holds {len(entries)} files, more than {MAX_MEMBERS}; it was not opened.")
    if sum(entry.file_size for entry in entries) > MAX_TOTAL_BYTES:
        raise UnreadableFile(name, f"unpacks to more than {MAX_TOTAL_BYTES // 2**30} GiB; it was not opened.")
    budget = Budget()
    members: dict[str, Callable[[], bytes]] = {}
    for entry in entries:
        inside = _checked_name(name, entry)
        while inside in members:
            inside += AGAIN
        members[inside] = lambda entry=entry: _read_entry(opened, entry, budget, name)  # type: ignore[misc]
    return members


def _checked_name(archive: str, entry: zipfile.ZipInfo) -> str:
    inside = entry.orig_filename.replace("\\", "/")
    parts = inside.split("/")
    if inside.startswith("/") or ".." in parts or "\0" in inside or ":" in parts[0]:
        raise UnreadableFile(archive, "holds a file name that leads out of the archive; it was not opened.")
    if stat.S_ISLNK(entry.external_attr >> 16):
        raise UnreadableFile(archive, "holds a link instead of a file; it was not opened.")
    if entry.flag_bits & 1:
        raise UnreadableFile(archive, "is locked with a password; export it without one.")
    if inside.lower().endswith(".zip"):
        raise UnreadableFile(archive, "holds a zip inside the zip; unpack the inner one into the inbox.")
    if entry.file_size > SMALL_BYTES and entry.file_size > MAX_RATIO * max(entry.compress_size, 1):
        raise UnreadableFile(
            archive, f"holds a file that grows more than {MAX_RATIO} times when unpacked; it was not opened."
        )
    return inside


def _read_entry(opened: zipfile.ZipFile, entry: zipfile.ZipInfo, budget: Budget, archive: str) -> bytes:
    allowed = min(budget.left, max(SMALL_BYTES, MAX_RATIO * entry.compress_size))
    try:
        with opened.open(entry) as stream:
            data = stream.read(allowed + 1)
    except (*DAMAGE, OSError, RuntimeError) as error:
        what = type(error).__name__
        raise DamagedMember(archive, f"is damaged where a file is packed ({what}); export it anew.") from None
    if len(data) > allowed:
        raise UnreadableFile(archive, "unpacks to far more than it declares; it was not read further.")
    if data[:4] == b"PK\x03\x04":
        raise UnreadableFile(archive, "holds a zip inside the zip; unpack the inner one into the inbox.")
    budget.left -= len(data)
    return data


def task_sets(members: Members) -> list[TaskSet]:
    """The task sets among ``members``, shallowest first; each sees only the files of its own folder."""
    folders = {
        str(PurePosixPath(name).parent)
        for name in members
        if PurePosixPath(name).name.casefold() == "taskdata.xml" and not _shadow(name)
    }
    return [_task_set(folder, members) for folder in sorted(folders, key=lambda f: (f.count("/"), f))]


def _shadow(name: str) -> bool:
    """Copies that a file manager leaves in archives beside the real files."""
    return any(part.startswith((".", "__MACOSX", "_MACOSX")) for part in name.split("/"))


def _task_set(folder: str, members: Members) -> TaskSet:
    files: dict[str, Callable[[], bytes]] = {}
    by_case: dict[str, str] = {}
    clashes: list[str] = []
    for path, name in _siblings(folder, members):
        plain = name.casefold().removesuffix(AGAIN)
        if plain in by_case:
            clashes.append(name)
        by_case.setdefault(plain, name)
        files[name] = members[path]
    return TaskSet(folder, files, tuple(clashes), by_case)


def _siblings(folder: str, members: Members) -> Iterator[tuple[str, str]]:
    for path in sorted(members):
        pure = PurePosixPath(path)
        if str(pure.parent) == folder and not pure.name.startswith("."):
            yield path, pure.name
