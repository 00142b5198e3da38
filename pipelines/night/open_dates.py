"""Files whose dates don't show whether day or month comes first, and what the other files of the inbox say of them.

A file is looked at where it is new, or where it was asked about before: another file may have come since.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta

import polars as pl
from chaffinch.pipelines.errors import UnreadableFile
from chaffinch.pipelines.ingest.inbox.guard import blamed_on
from chaffinch.pipelines.ingest.inbox.inbox_file import InboxFile
from chaffinch.pipelines.ingest.text.date_order import SeenDates, order_by_others, seen_dates
from chaffinch.pipelines.ingest.text.timestamps import NOTHING_DECIDES
from chaffinch.pipelines.lake.delivery import RETRACTED, delivery_id

_HEAD_BYTES = 16_384
# A log of a longer time says little about single days.
LONGEST_SPAN = timedelta(days=60)


def read_with_order(read_with: str, day_first: bool | None) -> str:
    """The digest of what a file is read with, and the order of its dates where other files showed it."""
    return read_with if day_first is None else f"{read_with} {'day' if day_first else 'month'} first"


def orders_of_open_dates(files: Sequence[InboxFile], new: set[str], ledger: pl.DataFrame) -> dict[str, bool]:
    """By name, whether the day leads: of files that are ``new`` or were asked about, as far as others show it."""
    asked_before = _asked(ledger)
    looked_at = [file for file in files if file.name in new or delivery_id(file.sha256) in asked_before]
    seen = {file.name: _seen(file) for file in looked_at}
    undecided = [file for file in looked_at if seen[file.name].is_open]
    if not undecided:
        return {}
    seen |= {file.name: _seen(file) for file in files if file.name not in seen}
    days = _days_of_readings(ledger.filter(~pl.col("delivery").is_in(list(asked_before))))
    found = {}
    for file in undecided:
        others = [one for name, one in seen.items() if name != file.name]
        order = order_by_others(seen[file.name], others, days)
        if order is not None:
            found[file.name] = order
    return found


def _asked(ledger: pl.DataFrame) -> set[str]:
    """Deliveries of which nothing showed the order of day and month."""
    notes = pl.col("notes").list.join(" ").str.contains(NOTHING_DECIDES, literal=True)
    return set(ledger.filter(notes & (pl.col("status") != RETRACTED))["delivery"].to_list())


def _seen(file: InboxFile) -> SeenDates:
    try:
        with blamed_on(file.name), file.open() as stream:
            return seen_dates(stream.read(_HEAD_BYTES).decode("utf-8", errors="replace").replace("\0", ""))
    except UnreadableFile:
        return SeenDates()


def _days_of_readings(ledger: pl.DataFrame) -> set[date]:
    rows = ledger.filter(pl.col("rows_stored").str.contains('"readings"', literal=True))
    days: set[date] = set()
    for first, last in rows.select("first_time", "last_time").drop_nulls().iter_rows():
        if last - first <= LONGEST_SPAN:
            days |= {first.date() + timedelta(days=k) for k in range((last.date() - first.date()).days + 1)}
    return days
