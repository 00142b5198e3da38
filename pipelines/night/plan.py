"""Which files of an inbox to read, and in which order.

A file is due if its content is not in the lake yet, or if it was read with another farm.toml, other field
boundaries or another version of the program. The farm comes first, then boundaries, then task data (which may
hold boundaries), then everything else, so that each kind is read with all that it needs.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import polars as pl
from chaffinch.pipelines.errors import DeclarationError, NotYet, UnreadableFile
from chaffinch.pipelines.farm import Farm, parse_farm
from chaffinch.pipelines.ingest.inbox.guard import NoMemory, blamed_on
from chaffinch.pipelines.ingest.inbox.inbox_file import InboxFile
from chaffinch.pipelines.lake import Lake
from chaffinch.pipelines.lake.delivery import RETRACTED, Delivery, delivery_id
from chaffinch.pipelines.lake.freshness import reading_digest
from chaffinch.pipelines.night.open_dates import orders_of_open_dates, read_with_order
from chaffinch.pipelines.parallel.processes import FEWEST_FOR_PROCESSES
from chaffinch.pipelines.parsed import Parsed

TIERS = ("farm", "boundaries", "task data", "table")
# In a lake of so many deliveries a few new files are enough work for processes.
MANY_KNOWN = 100
_HEAD_BYTES = 4096


@dataclass(frozen=True, slots=True)
class Due:
    """Files of one tier to read, and with what. ``refused``: why none of them can be used. ``day_first``: order of
    day and month of the files that do not show it themselves, by name.
    """

    files: tuple[InboxFile, ...]
    farm: Farm
    farm_text: str | None
    boundaries: tuple[tuple[str, Any], ...]
    read_with: str
    replaces: dict[str, tuple[str, ...]]
    refused: str = ""
    day_first: Mapping[str, bool] = field(default_factory=dict)

    def read(self, file: InboxFile) -> Delivery:
        """One of ``files``, read. Raises ``NotYet`` if it changed in the meantime."""
        from chaffinch.pipelines.ingest.inbox.settled import changed

        day_first = self.day_first.get(file.name)
        parsed, reason, read_with = None, self.refused, read_with_order(self.read_with, day_first)
        if not self.refused:
            try:
                parsed, reason = read_one(file, self.farm.with_day_first(day_first), self.boundaries)
            except NoMemory as fault:
                # What was read with nothing is due again the next night.
                reason, read_with = fault.reason, ""
        if changed(file):
            raise NotYet(f"{file.name} changed while it was read.")
        stated = None
        if parsed is not None:
            stated = self.farm_text if parsed.kind == "farm" else parsed.stated
        return Delivery(
            name=file.name,
            sha256=file.sha256,
            size_bytes=file.size_bytes,
            parsed=parsed,
            reason=reason or None,
            read_with=read_with,
            stated=stated,
            replaces=self.replaces.get(file.name, ()),
        )


@dataclass(frozen=True, slots=True)
class InboxPlan:
    """``files``: all that are complete. ``firsts``: tier and file, one for each content. ``same_content``: sentences.

    ``retracted``: names of files that were retracted. ``known``: deliveries in the lake before. ``growing``:
    names of files that are still being written. ``farm_fault``: why the farm.toml of the inbox can't be used;
    ``farm`` is then the one of before.
    """

    files: tuple[InboxFile, ...]
    firsts: tuple[tuple[str, InboxFile], ...]
    farm: Farm
    farm_text: str | None
    same_content: tuple[str, ...]
    retracted: tuple[str, ...] = ()
    known: frozenset[str] = frozenset()
    growing: tuple[str, ...] = ()
    farm_fault: str | None = None

    @property
    def few_are_new(self) -> bool:
        """Whether a few files are new in a lake that has many."""
        new = sum(delivery_id(file.sha256) not in self.known for _, file in self.firsts)
        return len(self.known) >= MANY_KNOWN and 0 < new < FEWEST_FOR_PROCESSES

    def names(self) -> dict[str, set[str]]:
        """Every name in the inbox, by delivery."""
        found: dict[str, set[str]] = {}
        for file in self.files:
            found.setdefault(delivery_id(file.sha256), set()).add(file.name)
        return found

    def due(self, tier: str, lake: Lake) -> Due:
        """The files of ``tier`` to read, given what the lake holds now."""
        ledger = lake.ledger()
        boundaries = _boundaries(lake, ledger, tier)
        read_with = reading_digest(self.farm, boundaries)
        # A farm.toml that was refused before, perhaps because there were two, is not in use yet.
        in_use = pl.col("stated").is_not_null() if tier == "farm" and self.farm_text is not None else True
        known = dict(ledger.filter(in_use).select("delivery", "read_with").iter_rows())
        known |= dict.fromkeys(_retracted(ledger), read_with)
        here = [file for kind, file in self.firsts if kind == tier]
        before = {file.name: known.get(delivery_id(file.sha256)) for file in here}
        new = {name for name, digest in before.items() if (digest or "").partition(" ")[0] != read_with}
        day_first = orders_of_open_dates(here, new, ledger) if tier == "table" else {}
        late = {name for name in day_first if before[name] == read_with}
        files = tuple(file for file in here if file.name in new | late)
        return Due(
            files=files,
            farm=self.farm,
            farm_text=self.farm_text,
            boundaries=tuple(_polygons(boundaries)) if files else (),
            read_with=read_with,
            replaces=self._replaced_by(files, ledger),
            refused=(self.farm_fault or "") if tier == "farm" else "",
            day_first=day_first,
        )

    def is_due(self, lake: Lake) -> bool:
        """Whether there are files to read, or deliveries that are superseded."""
        return any(self.due(tier, lake).files for tier in TIERS) or bool(self.superseded(lake))

    def superseded(self, lake: Lake) -> list[str]:
        """Deliveries whose name now has the content of another known file, so that nothing replaces them."""
        names = {file.name for file in self.files}
        present = {delivery_id(one.sha256) for _, one in self.firsts}
        rows = lake.ledger().select("delivery", "name", "other_names", "kind").iter_rows()
        return [
            delivery
            for delivery, name, others, kind in rows
            if delivery not in present
            and names & {name, *(others or [])}
            and not (self.farm_fault and kind == "farm")
        ]

    def _replaced_by(self, files: Sequence[InboxFile], ledger: pl.DataFrame) -> dict[str, tuple[str, ...]]:
        """By name, deliveries of that name and other content, unless that content still lies in the inbox."""
        present = [delivery_id(one.sha256) for _, one in self.firsts]
        # The farm.toml of before stays in use until this one is corrected.
        out = ledger["delivery"].is_in(present) | ((ledger["kind"] == "farm") & bool(self.farm_fault))
        earlier: dict[str, list[str]] = {}
        for delivery, name, others in (
            ledger.filter(~out).select("delivery", "name", "other_names").iter_rows()
        ):
            for known in {name, *(others or ())}:
                earlier.setdefault(known, []).append(delivery)
        return {file.name: tuple(earlier.get(file.name, ())) for file in files}


def plan_inbox(inbox: Path, lake: Lake) -> InboxPlan:
    """Find the files of ``inbox`` and decide which to read. Raises ``CallError`` if there is no inbox."""
    from chaffinch.pipelines.ingest.inbox.discover import find_files
    from chaffinch.pipelines.ingest.inbox.settled import growing

    everything = tuple(find_files(inbox))
    restless = growing(everything)
    files = tuple(file for file in everything if file.name not in restless)
    ledger = lake.ledger()
    owner = dict(ledger.select("content_sha256", "name").iter_rows())
    firsts: dict[str, tuple[str, InboxFile]] = {}
    same: list[str] = []
    # A name that is in the lake stays the first, so that its content does not move to another one.
    for file in sorted(files, key=lambda one: (owner.get(one.sha256) != one.name, one.name)):
        if file.sha256 in firsts:
            first = firsts[file.sha256][1].name
            same.append(f"{file.name} has the same content as {first}; it counts once.")
        else:
            firsts[file.sha256] = (_tier(file), file)
            if (known := owner.get(file.sha256, file.name)) != file.name:
                same.append(f"{file.name} has the same content as {known}, ingested before; it counts once.")
    ordered = tuple(sorted(firsts.values(), key=lambda pair: (TIERS.index(pair[0]), pair[1].name)))
    farm_text, farm, farm_fault = _farm(ordered, lake)
    out = set(_retracted(ledger))
    return InboxPlan(
        files,
        ordered,
        farm,
        farm_text,
        tuple(sorted(same)),
        retracted=tuple(file.name for _, file in ordered if delivery_id(file.sha256) in out),
        known=frozenset(ledger["delivery"].to_list()),
        growing=tuple(sorted(restless)),
        farm_fault=farm_fault,
    )


def read_one(file: InboxFile, farm: Farm, boundaries: Sequence[tuple[str, Any]]) -> tuple[Parsed | None, str]:
    """The file, read and its rows checked against the rules; or None and the sentence why it can't be read.

    Raises ``NoMemory``.
    """
    from chaffinch.pipelines.ingest import read
    from chaffinch.pipelines.validate import apply_rules

    try:
        with blamed_on(file.name):
            return apply_rules(read(file, farm, list(boundaries))), ""
    except NoMemory:
        raise
    except UnreadableFile as unreadable:
        return None, unreadable.reason


def _retracted(ledger: pl.DataFrame) -> list[str]:
    """Deliveries that were retracted and stay out."""
    return ledger.filter(ledger["status"] == RETRACTED)["delivery"].to_list()


def _tier(file: InboxFile) -> str:
    """The tier by the first bytes of the file; the reader has the last word."""
    from chaffinch.pipelines.ingest import kind_of_text

    if file.is_task_data:
        return "task data"
    try:
        with blamed_on(file.name), file.open() as stream:
            kind = kind_of_text(file, stream.read(_HEAD_BYTES))
            return kind if kind in TIERS else "table"
    except UnreadableFile:
        return "table"


def _farm(ordered: tuple[tuple[str, InboxFile], ...], lake: Lake) -> tuple[str | None, Farm, str | None]:
    """The farm.toml of the inbox: its text, its content, and why it can't be used. Where there is none or it can't
    be used: no text, and the farm of the lake, else the defaults.
    """
    out = _retracted(lake.ledger())
    found = [file for kind, file in ordered if kind == "farm" and delivery_id(file.sha256) not in out]
    before = lake.farm_text()
    known = lake.farm()
    instead = (
        "Until then the one of before stays in use."
        if before is not None
        else "Until then files are read without it."
    )
    if not found:
        return None, known, None
    if len(found) > 1:
        names = " and ".join(file.name for file in found)
        reason = f"The inbox holds farm.toml more than once and they differ: {names}. Keep one. {instead}"
        return None, known, reason
    name = found[0].name
    try:
        with blamed_on(name):
            content = found[0].read_bytes()
            return content.decode("utf-8-sig"), parse_farm(content, name), None
    except (DeclarationError, UnreadableFile) as error:
        fault = str(error).removeprefix(f"{name}: ")
        if fault.startswith(f"{name} "):
            fault = f"It {fault.removeprefix(f'{name} ')}"
        return None, known, f"{fault} {instead}"


def _boundaries(lake: Lake, ledger: pl.DataFrame, tier: str) -> list[tuple[str, str]]:
    """Fields known to files of ``tier``: name and polygon as text, those of boundary files first."""
    if tier in ("farm", "boundaries"):
        return []
    kinds = ["boundaries"] if tier == "task data" else ["boundaries", "task data"]
    ids = ledger.filter(pl.col("kind").is_in(kinds)).sort(pl.col("kind"), "name")["delivery"].to_list()
    if not ids:
        return []
    rows = lake.scan("fields").filter(pl.col("delivery").is_in(ids)).collect()
    rank = {delivery: i for i, delivery in enumerate(ids)}
    rows = rows.sort(pl.col("delivery").replace_strict(rank, return_dtype=pl.Int64), "row")
    return list(rows.select("field", "boundary_wkt").iter_rows())


def _polygons(boundaries: list[tuple[str, str]]) -> list[tuple[str, Any]]:
    from shapely import from_wkt

    return [(name, from_wkt(text)) for name, text in boundaries]
