"""Repair a damaged lake: what the inbox still has is ingested again, what follows from it worked out again."""

from __future__ import annotations

import json
import shlex
import shutil
from collections.abc import Callable
from pathlib import Path

from chaffinch.pipelines.errors import CallError, LakeError
from chaffinch.pipelines.ingest.inbox.discover import find_files
from chaffinch.pipelines.lake import Lake
from chaffinch.pipelines.lake.delivery import delivery_id
from chaffinch.pipelines.lake.seal import LEDGER, Hurt, hurt_tables
from chaffinch.pipelines.night.run import ingest_inbox, refresh


def repair(lake: Lake, inbox: Path, say: Callable[[str], None]) -> list[str]:
    """Repair ``lake``, which lies in a folder, and say what was done and what could not be.

    Raises ``CallError`` where there is no inbox, ``LakeError`` where the ledger itself is damaged.
    """
    if lake.folder is None:
        raise CallError("Only a lake in a folder can be repaired; an object store keeps its own copies.")
    hurt = hurt_tables(lake.delta, every_byte=True)
    if any(one.table == LEDGER for one in hurt):
        raise LakeError(
            "The ledger deliveries itself is damaged, and it says what counts: restore it from a copy, or move the "
            "lake away and ingest the inbox again."
        )
    if not hurt:
        return []
    in_inbox = {delivery_id(file.sha256) for file in find_files(inbox)}
    names = dict(lake.ledger().select("delivery", "name").iter_rows())
    hit: set[str] = set()
    for one in hurt:
        hit |= _deliveries(lake, one)
    again = sorted(hit & in_inbox & names.keys())
    for one in hurt:
        if not one.stops_everything or one.deliveries is None:
            shutil.rmtree(lake.folder / one.table, ignore_errors=True)
    lake.mending = True
    with lake.writing(say):
        lake.strike(again)
        ingest_inbox(inbox, lake, say)
        refresh(lake, forced=True, say=say)
    done = [f"{one.table} was damaged: {one.sentence}" for one in hurt]
    done += [f"{names[delivery]} was ingested again." for delivery in again]
    return done + [
        f"{names[delivery]} could not be repaired: its file is no longer in {inbox}. Put it there and repair again, "
        f"or take it out: chaffinch retract {shlex.quote(names[delivery])} --lake {shlex.quote(lake.uri)}"
        for delivery in sorted(hit & names.keys() - in_inbox)
    ]


def _deliveries(lake: Lake, one: Hurt) -> frozenset[str]:
    if not one.stops_everything:
        return frozenset()
    if one.deliveries is not None:
        return one.deliveries
    rows = lake.ledger().select("delivery", "rows_stored").iter_rows()
    return frozenset(delivery for delivery, stored in rows if json.loads(stored or "{}").get(one.table))
