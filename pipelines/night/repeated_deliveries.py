"""Cards that grow: a file whose rows are all in a larger file under another name. The rows count once.

The smaller delivery keeps its line in the ledger, with the status ``repeated`` and the larger one in ``repeats``; its
rows leave the tables. When the larger one goes, the smaller one is read again.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from typing import Any

import polars as pl
from chaffinch.pipelines.errors import counted
from chaffinch.pipelines.lake import Lake
from chaffinch.pipelines.lake.delivery import DATA_TABLES, REPEATED, RETRACTED
from chaffinch.pipelines.night.covered_twice import pairs_of_one_time
from chaffinch.schemas.tables import tables

# Where a row lies in its file may differ; the rest of it may not.
_OF_THE_FILE = {"delivery", "file", "row"}
Pair = tuple[dict[str, Any], dict[str, Any]]
_COMPARED = ("readings", "adjustments", "set_aside", "loss_checks", "load_tickets")


def without_their_larger_file(lake: Lake) -> list[str]:
    """Deliveries that were put out because a larger one held their rows, and that one no longer counts."""
    rows = lake.ledger().to_dicts()
    by_id = {row["delivery"]: row for row in rows}
    return [row["delivery"] for row in rows if row["status"] == REPEATED and not _still_held(row, by_id)]


def _still_held(row: dict[str, Any], by_id: dict[str, dict[str, Any]]) -> bool:
    for _ in by_id:
        if row["status"] != REPEATED:
            return bool(row["status"] != RETRACTED)
        if (held_by := by_id.get(row["repeats"] or "")) is None:
            return False
        row = held_by
    return False


def put_out_repeated(lake: Lake, new: set[str]) -> tuple[str, ...]:
    """Take the rows of each delivery out that another one holds whole, where one of both is ``new``.

    Returns a sentence for each.
    """
    ledger = lake.ledger().filter(pl.col("rows_stored").str.contains('"readings"', literal=True))
    rows = {row["delivery"]: row for row in ledger.to_dicts()}
    out: dict[str, str] = {}
    said = []
    by_size = (sorted(pair, key=_by_size) for pair in pairs_of_one_time(list(rows.values()), new))
    pairs = [(small, large) for small, large in by_size if _may_hold(large, small)]
    for small, large in _sharing_a_row(lake, pairs):
        if small["delivery"] in out or large["delivery"] in out or not _holds(lake, large, small):
            continue
        out[small["delivery"]] = large["delivery"]
        said.append(
            f"All {counted(small['rows_read'], 'row')} of {small['name']} are in {large['name']} again; they count "
            f"once, as rows of {large['name']}."
        )
    lake.put_out(out)
    return tuple(said)


def _by_size(row: dict[str, Any]) -> tuple[int, int, str]:
    """Of two files with the same rows the one whose content hash comes later is put out, in whatever order."""
    return _stored(row)["readings"], row["rows_read"], row["delivery"]


def _stored(row: dict[str, Any]) -> dict[str, int]:
    return dict(json.loads(row["rows_stored"] or "{}"))


def _may_hold(large: dict[str, Any], small: dict[str, Any]) -> bool:
    """Whether ``large`` may hold the rows of ``small``, by what the ledger says of both."""
    of_small, of_large = _stored(small), _stored(large)
    if set(of_small) - set(_COMPARED) or any(of_large.get(name, 0) < rows for name, rows in of_small.items()):
        return False
    inside = small["first_time"] >= large["first_time"] and small["last_time"] <= large["last_time"]
    return inside and not set(small["machines"]) - set(large["machines"])


def _sharing_a_row(lake: Lake, pairs: Sequence[Pair]) -> list[Pair]:
    """Those of ``pairs``, small and large, in which one reading of the small one, that of the least digest, is in
    the large one: of a thousand files of one day each pair can't be compared row by row.
    """
    if not pairs:
        return []
    ids = {row["delivery"] for pair in pairs for row in pair}
    rows = lake.scan("readings").filter(pl.col("delivery").is_in(ids))
    hashed = rows.select("delivery", of=pl.struct(_compared("readings")).hash(seed=1))
    least = hashed.group_by("delivery").agg(pl.col("of").min()).collect(engine="streaming")
    there = hashed.join(least.lazy(), on="of", how="semi").unique().collect(engine="streaming")
    of, found = dict(least.iter_rows()), set(there.iter_rows())
    return [pair for pair in pairs if (pair[1]["delivery"], of[pair[0]["delivery"]]) in found]


def _holds(lake: Lake, large: dict[str, Any], small: dict[str, Any]) -> bool:
    """Whether each row of ``small`` is in ``large`` too, value by value."""
    stored = _stored(small)
    return all(
        _rows_within(lake, name, large["delivery"], small["delivery"])
        for name in DATA_TABLES
        if name in stored
    )


def _compared(name: str) -> list[str]:
    """Columns of a table by which rows are the same."""
    return [column for column in tables()[name].polars_schema() if column not in _OF_THE_FILE]


def _rows_within(lake: Lake, name: str, large: str, small: str) -> bool:
    columns = _compared(name)
    rows = lake.scan(name).filter(pl.col("delivery").is_in([large, small]))
    for part in _parts(rows, small, "time" in columns):
        keyed = part.select(
            "delivery", of=pl.struct(columns).hash(seed=1), again=pl.struct(columns).hash(seed=2)
        )
        counts = keyed.group_by("of", "again").agg(
            (pl.col("delivery") == large).sum().alias("large"),
            (pl.col("delivery") == small).sum().alias("small"),
        )
        if counts.filter(pl.col("large") < pl.col("small")).height:
            return False
    return True


def _parts(rows: pl.LazyFrame, small: str, timed: bool) -> Iterator[pl.DataFrame]:
    """The rows of the small delivery and those of the same days in the large one, day by day."""
    if not timed:
        yield rows.collect()
        return
    days = (
        rows.filter(pl.col("delivery") == small).select(pl.col("time").dt.date().unique()).collect()["time"]
    )
    for day in days.sort().to_list():
        yield rows.filter(pl.col("time").dt.date() == day).collect()
