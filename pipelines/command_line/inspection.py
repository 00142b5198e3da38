"""What a file is, before it is ingested: kind, columns, units, span, gaps, and what would be set aside."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import polars as pl
from chaffinch.pipelines.errors import UnreadableFile
from chaffinch.pipelines.farm import Farm
from chaffinch.pipelines.ingest import open_table, read, read_table
from chaffinch.pipelines.ingest.inbox.discover import single_file
from chaffinch.pipelines.ingest.inbox.guard import blamed_on
from chaffinch.pipelines.ingest.inbox.inbox_file import InboxFile
from chaffinch.pipelines.ingest.task_data import describe_columns
from chaffinch.pipelines.ingest.text.decode import bounded_content
from chaffinch.pipelines.ingest.text.headers import Matched
from chaffinch.pipelines.ingest.text.measurements import conversion_of
from chaffinch.pipelines.ingest.text.text_table import SEPARATORS, TextTable
from chaffinch.pipelines.parsed import Parsed
from chaffinch.pipelines.terminal import say_traceback
from chaffinch.schemas.units import UnitError

# A pause is a gap from this many usual intervals on, and never below this many seconds.
GAP_INTERVALS = 10
SHORTEST_GAP_S = 30.0
JUMPS_LISTED = 5
GAPS_LISTED = 5
# Ten minutes at a reading a second; delays can't be found in shorter logs.
FEWEST_FOR_WORK = 600
FIELDS_LISTED = 8


def inspect(path: Path, farm: Farm, debug: bool = False) -> dict[str, Any]:
    """What ``path`` holds, as plain values for JSON: ``path`` and one entry of ``files`` per file.

    A file that can't be read has ``kind`` "unknown" and a sentence as ``reason``; with ``debug`` a traceback goes to
    standard error. Raises ``CallError`` if there is nothing at ``path``.
    """
    path = Path(path)
    return {"path": path.name, "files": [inspect_file(file, farm, debug) for file in single_file(path)]}


def inspect_file(file: InboxFile, farm: Farm, debug: bool = False) -> dict[str, Any]:
    """One file, as ``inspect`` describes it."""
    found: dict[str, Any] = {"name": file.name, "size_bytes": file.size_bytes, "sha256": file.sha256}
    try:
        with blamed_on(file.name):
            return found | _described_file(file, farm)
    except UnreadableFile as unreadable:
        if debug and unreadable.__cause__ is not None:
            say_traceback(unreadable.__cause__)
        return found | {"kind": "unknown", "reason": unreadable.reason, "needs_a_look": True}


def _described_file(file: InboxFile, farm: Farm) -> dict[str, Any]:
    table: TextTable | None = None
    found: dict[str, Any] = {}
    if file.is_task_data:
        found = {"columns": describe_columns(file.members, file.name, farm)}
    else:
        table = open_table(file, bounded_content(file), farm)
    if table is not None:
        found = {
            "encoding": table.encoding,
            "separator": "none" if table.encoding == "Parquet" else SEPARATORS[table.separator],
            "header_line": table.header_line,
            "columns": [_column(table, matched) for matched in table.matched],
        }
    parsed = read_table(table, farm, []) if table is not None else read(file, farm, [])
    return found | _summary(file, parsed, farm)


def _column(table: TextTable, matched: Matched) -> dict[str, Any]:
    """One column: its header, what it is, its unit and the factor to the declared one, a sample value."""
    header = table.headers[matched.position]
    sample = next((t for t in table.rows[header].head(1000) if t and t.strip()), None)
    entry: dict[str, Any] = {"header": header, "is": matched.target or None, "kind": matched.kind}
    entry |= {
        "rank": matched.rank,
        "unit": matched.unit,
        "to_unit": matched.wanted_unit or None,
        "factor": None,
        "sample": sample,
    }
    if matched.kind in ("channel", "setting"):
        try:
            change = conversion_of(matched)
        except UnitError as error:
            return entry | {"is": None, "kind": "none", "why": str(error)}
        entry["factor"] = None if change.slope_pct or change.needs_bushel else change.scale
    return entry


def _summary(file: InboxFile, parsed: Parsed, farm: Farm) -> dict[str, Any]:
    from chaffinch.pipelines.lake.delivery import Delivery
    from chaffinch.pipelines.validate import apply_rules
    from chaffinch.pipelines.validate.attention import attention

    parsed = apply_rules(parsed)
    row = Delivery(file.name, file.sha256, file.size_bytes, parsed).ledger_row(datetime.now(UTC))
    first, last = (None if row[end] is None else row[end].isoformat() for end in ("first_time", "last_time"))
    read, aside = row["rows_read"], row["rows_set_aside"]
    frames = [f for f in (parsed.readings, parsed.load_tickets) if f is not None and "crop" in f.columns]
    return {
        "kind": parsed.kind,
        "rows_read": read,
        "rows_kept": row["rows_kept"],
        "rows_set_aside": aside,
        "rows_with_values_set_aside": parsed.rows_with_values_set_aside,
        "share_set_aside_pct": round(parsed.share_set_aside_pct, 3),
        "set_aside": _by_rule(parsed.set_aside, read),
        "adjustments": parsed.adjustments.height if parsed.adjustments is not None else 0,
        "settings": _settings(parsed.adjustments),
        "unmatched_columns": row["unmatched_columns"],
        "notes": [*row["notes"], *_unlikely(parsed.adjustments)],
        "attention": (asked := list(attention(parsed))),
        "needs_a_look": bool(asked) or parsed.share_set_aside_pct > farm.thresholds.set_aside_pct,
        "machines": row["machines"],
        "fields": row["fields"],
        "crops": sorted({crop for f in frames for crop in f["crop"].drop_nulls().unique()}),
        "first_time": first,
        "last_time": last,
        **_sampling(parsed.readings),
        "work": _work(parsed.readings),
    }


def _work(readings: pl.DataFrame | None) -> list[dict[str, Any]]:
    """Facts of the work in each field job of a log that is long enough: delays of the sensors, effective
    width, passes, and what screening leaves out, in %."""
    if readings is None or readings.height < FEWEST_FOR_WORK:
        return []
    from chaffinch.pipelines.work import machine_delays, mark_work
    from chaffinch.pipelines.work.facts import work_facts

    found: list[dict[str, Any]] = []
    for part in readings.partition_by("machine", "field", maintain_order=True)[:FIELDS_LISTED]:
        if part.height < FEWEST_FOR_WORK:
            continue
        ordered = part.sort("time", maintain_order=True)
        delays = machine_delays(ordered)
        facts = work_facts(mark_work(ordered, delays), delays)
        found.append(
            {
                "machine": ordered["machine"][0],
                "field": ordered["field"][0],
                "sentences": facts.sentences(),
                "left_out_pct": {code: round(share, 3) for code, share in facts.left_out.items() if share},
            }
        )
    return found


def _unlikely(adjustments: pl.DataFrame | None) -> list[str]:
    """Sentences on the first adjustments that no actuator can make: the log may be wrong there."""
    from chaffinch.pipelines.agronomy.setup_check import doubtful_jumps

    if adjustments is None or adjustments.is_empty():
        return []
    found = doubtful_jumps(adjustments)
    more = [f"{len(found) - JUMPS_LISTED} more such jumps."] if len(found) > JUMPS_LISTED else []
    return [*(one.sentence for one in found[:JUMPS_LISTED]), *more]


def _settings(adjustments: pl.DataFrame | None) -> list[dict[str, Any]]:
    """Each setting that was changed, and how often."""
    if adjustments is None:
        return []
    return adjustments.group_by("setting", "kind").agg(pl.len().alias("changes")).sort("setting").to_dicts()


def _by_rule(aside: pl.DataFrame | None, rows_read: int) -> list[dict[str, Any]]:
    if aside is None or aside.height == 0:
        return []
    counted = aside.group_by("rule", maintain_order=True).agg(
        pl.col("row").n_unique().alias("rows"),
        pl.col("row_kept").all(),
        pl.col("row").first().alias("first_row"),
        pl.col("sentence").first().alias("example"),
    )
    rows = counted.sort("rows", descending=True, maintain_order=True).to_dicts()
    return [entry | {"share_pct": round(100 * entry["rows"] / max(rows_read, 1), 3)} for entry in rows]


def _sampling(readings: pl.DataFrame | None) -> dict[str, Any]:
    """Usual interval [s] and the pauses well beyond it, machine by machine; nothing without readings."""
    if readings is None or readings.height < 2:
        return {}
    ordered = readings.select("machine", "time").drop_nulls().sort("machine", "time")
    steps = ordered.with_columns(
        seconds=(pl.col("time").diff().dt.total_microseconds() / 1e6).over("machine"),
        since=pl.col("time").shift(1).over("machine"),
    ).drop_nulls()
    usual = steps["seconds"].median() if steps.height else None
    if not isinstance(usual, float):
        return {"interval_s": None, "gaps": 0, "longest_gaps": []}
    gaps = steps.filter(pl.col("seconds") > max(GAP_INTERVALS * usual, SHORTEST_GAP_S))
    longest = gaps.sort("seconds", descending=True, maintain_order=True).head(GAPS_LISTED)
    listed = [
        {"machine": row["machine"], "from": row["since"].isoformat(), "seconds": row["seconds"]}
        for row in longest.to_dicts()
    ]
    return {"interval_s": usual, "gaps": gaps.height, "longest_gaps": listed}
