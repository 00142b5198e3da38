"""What the lake was when a run last left it: size and checksum of every file of its tables.

Kept in one file next to the tables, which each run writes as its last step. What is older than that, smaller, or of
other bytes is damaged; what is newer is the work of a run under way, or of one that was killed, which the next mends.
A lake in an object store has none: the store keeps checksums itself.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import polars as pl
from chaffinch.pipelines.atomic_write import write_whole
from chaffinch.pipelines.errors import LakeError, counted
from chaffinch.pipelines.lake.delivery import DATA_TABLES
from chaffinch.pipelines.lake.delta import DeltaTables
from chaffinch.schemas.tables import tables

SEAL_FILE = ".checksums"
LOG_FOLDER = "_delta_log"
LEDGER = "deliveries"


@dataclass(frozen=True, slots=True)
class Hurt:
    """One table that is not what was written. ``deliveries``: those whose rows are hit; None: all of the table."""

    table: str
    sentence: str
    deliveries: frozenset[str] | None = None

    @property
    def stops_everything(self) -> bool:
        """Whether what is lost can't be worked out again from the other tables."""
        return self.table in (*DATA_TABLES, LEDGER)

    def advice(self, uri: str) -> str:
        """What to do about it."""
        if self.table == LEDGER:
            return "It says what counts: restore it from a copy, or move the lake away and ingest the inbox again."
        if self.stops_everything:
            return f"Restore it from a copy of the lake, or run: chaffinch check --lake {uri} --repair INBOX"
        return f"It is worked out again by: chaffinch estimate --lake {uri}, or check --repair INBOX"


def seal(delta: DeltaTables) -> None:
    """Note what every table is now. What was noted of a file before stays: it must not have changed."""
    if delta.is_remote:
        return
    before, now = _kept(delta), {}
    for name in tables():
        if not delta.exists(name):
            continue
        folder, known = Path(delta.uri) / name, before.get(name, {})
        version, files = delta.contents(name)
        if known.get("version") == version:
            now[name] = known
            continue
        data = known.get("data", {})
        now[name] = {
            "version": version,
            "log": {file.name: _state(file) for file in sorted((folder / LOG_FOLDER).iterdir()) if file.is_file()},
            "data": {path: data.get(path) or _state(folder / unquote(path)) for path in files["path"]},
        }  # fmt: skip
    if now != before:
        write_whole(Path(delta.uri) / SEAL_FILE, json.dumps(now, sort_keys=True).encode())


def hurt_tables(delta: DeltaTables, every_byte: bool = False) -> list[Hurt]:
    """What is damaged, by what every table says of itself and by the sizes of its files; ``every_byte`` compares
    checksums too, which is slow.
    """
    return [] if delta.is_remote else list(_hurt(delta, every_byte))


def _hurt(delta: DeltaTables, every_byte: bool) -> Iterator[Hurt]:
    for name, known in _kept(delta).items():
        folder = Path(delta.uri) / name
        if not delta.exists(name):
            yield Hurt(name, f"Table {name} of {delta.uri} is gone.")
            continue
        try:
            version, files = delta.contents(name)
        except LakeError as error:
            yield Hurt(name, str(error))
            continue
        if version < known["version"]:
            lost = counted(known["version"] - version, "change")
            yield Hurt(
                name, f"Table {name} of {delta.uri} lost its newest {lost}: files of its log are gone."
            )
            continue
        log = [
            file
            for file, state in known["log"].items()
            if not _same(folder / LOG_FOLDER / file, state, every_byte)
        ]
        if log and version == known["version"] == delta.contents(name)[0]:
            yield Hurt(name, f"The log of table {name} of {delta.uri} is not what was written ({log[0]}).")
            continue
        wrong = [
            path for path in files["path"]
            if not _same(folder / unquote(path), known["data"].get(path, [None, None]), every_byte)
        ]  # fmt: skip
        if wrong:
            hit = files.filter(pl.col("path").is_in(wrong))
            owners = hit["delivery"].drop_nulls().to_list() if "delivery" in hit.columns else None
            yield Hurt(
                name,
                f"{counted(len(wrong), 'file')} of table {name} of {delta.uri} "
                f"{'is' if len(wrong) == 1 else 'are'} gone or not what was written: {wrong[0]}.",
                frozenset(owners) if owners is not None else None,
            )


def _kept(delta: DeltaTables) -> dict[str, dict[str, Any]]:
    """What was noted by table; nothing for a lake of an older version, or where the note itself was lost."""
    try:
        found = json.loads((Path(delta.uri) / SEAL_FILE).read_bytes())
    except (OSError, ValueError):
        return {}
    return {name: found[name] for name in tables() if name in found} if isinstance(found, dict) else {}


def _state(file: Path) -> list[object]:
    """Size and checksum of a file, which is there."""
    with file.open("rb") as stream:
        return [file.stat().st_size, hashlib.file_digest(stream, "sha256").hexdigest()]


def _same(file: Path, state: list[object], every_byte: bool) -> bool:
    """Whether a file is there as it was noted; a file that was not noted is one of a run under way."""
    size, checksum = state
    try:
        if size is None:
            return file.is_file()
        return _state(file) == [size, checksum] if every_byte else file.stat().st_size == size
    except OSError:
        return False
