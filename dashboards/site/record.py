"""The pages in the folder of a site, and the record of what each was made from."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from chaffinch.dashboards.site.digest import digest_of
from chaffinch.dashboards.site.suggested_trials import KeptTrials
from chaffinch.pipelines.atomic_write import remove_parts, write_whole
from chaffinch.pipelines.ingest.inbox.discover import SITE_FOLDERS, SITE_RECORD
from chaffinch.pipelines.work.last_days import KeptDays

# Of sites of earlier versions.
RECORDS_BEFORE = ("made_from.json", "facts.json")


@dataclass
class Pages:
    """A folder of pages: writes what changed, records what each was made from, removes what is gone.

    facts : what pages of many fields need of each field's readings, by page. work : what the rows of ``work`` behind
    them were made from. machines : digest of all that the field pages of a machine were made from.
    suggested : of ``suggested_trials``. days : of ``worked_days``. whole : digest of what the site as a whole was
    made from.
    """

    folder: Path
    made_from: dict[str, str] = field(default_factory=dict)
    facts: dict[str, dict[str, Any]] = field(default_factory=dict)
    work: dict[str, str] = field(default_factory=dict)
    machines: dict[str, str] = field(default_factory=dict)
    suggested: KeptTrials = field(default_factory=KeptTrials)
    days: KeptDays = field(default_factory=dict)
    whole: str = ""
    written: list[str] = field(default_factory=list)
    unchanged: list[str] = field(default_factory=list)
    kept: dict[str, str] = field(default_factory=dict)

    @classmethod
    def open(cls, folder: Path) -> Pages:
        """The pages in ``folder``; none where the record is missing or was damaged or edited."""
        # What a killed run left half written.
        for place in (folder, *(folder / part for part in SITE_FOLDERS)):
            remove_parts(place)
        for record in RECORDS_BEFORE:
            (folder / record).unlink(missing_ok=True)
        try:
            digest, text = (folder / SITE_RECORD).read_text(encoding="utf-8").split("\n", 1)
        except (OSError, ValueError):
            # From its first file on it is known for a site, if it lies in an inbox.
            write_whole(folder / SITE_RECORD, b"")
            return cls(folder)
        if digest_of([text]) != digest:
            return cls(folder)
        known = json.loads(text)
        return cls(folder, **known | {"suggested": KeptTrials(**known["suggested"])})

    def holds(self, name: str, digest: str) -> bool:
        """Whether page ``name`` is there and made from the same ``digest``."""
        return self.made_from.get(name) == digest and (self.folder / name).is_file()

    def put(self, name: str, digest: str, make: Callable[[], bytes]) -> None:
        """Write page ``name`` unless it is there and made from the same ``digest``, or its content is the same."""
        if self.holds(name, digest):
            self.kept[name] = digest
            self.unchanged.append(name)
        else:
            self.write(name, digest, make())

    def write(self, name: str, digest: str, content: bytes) -> None:
        """Write page ``name`` unless its content is the same."""
        self.kept[name] = digest
        path = self.folder / name
        if path.is_file() and path.read_bytes() == content:
            self.unchanged.append(name)
            return
        write_whole(path, content)
        self.written.append(name)

    def all_hold(self, digest: str) -> bool:
        """Whether every page is there and the site as a whole was made from the same ``digest``."""
        return self.whole == digest and all((self.folder / name).is_file() for name in self.made_from)

    def close(self, digest: str) -> list[str]:
        """Remove pages of this site whose data are gone; record what the pages and the whole were made from."""
        removed = []
        for name in sorted(set(self.made_from) - set(self.kept)):
            path = self.folder / name
            # The record is a file that anybody may edit: it never leads outside the site.
            if path.resolve().is_relative_to(self.folder.resolve()) and path.is_file():
                path.unlink()
                removed.append(name)
        facts, work = (
            {name: one for name, one in of.items() if name in self.kept} for of in (self.facts, self.work)
        )
        record = {
            "made_from": self.kept,
            "facts": facts,
            "work": work,
            "machines": self.machines,
            "suggested": asdict(self.suggested),
            "days": self.days,
            "whole": digest,
        }
        text = json.dumps(record, indent=0, sort_keys=True)
        write_whole(self.folder / SITE_RECORD, f"{digest_of([text])}\n{text}".encode())
        return removed
