"""What the effects of each machine and field rest on, so that a night can say what made it estimate anew.

For each machine-field a digest of its readings, the adjustments during them, and the loss checks and load
tickets of its machine; for all of them one of the catalogue, the estimator and the farm's entries. They are kept
in the commit that writes the effects. Effects of other fields may move as well: the season shares its noise.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

from chaffinch.pipelines.lake.inputs import digest_of_text, farm_digest
from chaffinch.pipelines.program_digest import program_digest

if TYPE_CHECKING:
    import polars as pl
    from chaffinch.pipelines.farm import Farm
    from chaffinch.pipelines.lake.readable import ReadableLake

# The entry for what all machine-fields share.
SHARED = ""
_WORDS = {
    "readings": "its readings",
    "settings": "the adjustments in its days",
    "checks": "the loss checks of the machine",
    "loads": "the load tickets of the machine",
    "program": "the program",
    "farm": "what farm.toml states",
}

Inputs = dict[str, dict[str, str]]


def field_inputs(lake: ReadableLake, farm: Farm) -> Inputs:
    """Digests by machine-field ("machine, field" or "machine, day" as JSON) and by what they are of."""
    import polars as pl
    from chaffinch.pipelines.estimate.data.changes import real_adjustments

    ledger = lake.ledger().filter(pl.col("rows_stored").str.contains('"readings"', literal=True))
    adjustments = real_adjustments(lake.scan("adjustments").collect())
    checks, loads = (_by_machine(lake.scan(name).collect()) for name in ("loss_checks", "load_tickets"))
    found: Inputs = {SHARED: {"program": program_digest(), "farm": farm_digest(farm)}}
    for row in lake.machine_fields().iter_rows(named=True):
        machine, field, day = row["machine"], row["field"], row["day"]
        mine = ledger.filter(pl.col("machines").list.contains(machine))
        if field is not None:
            mine = mine.filter(pl.col("fields").list.contains(field))
        during = pl.col("time").is_between(row["first_time"], row["last_time"])
        found[json.dumps([machine, field, str(day) if day else None], ensure_ascii=False)] = {
            "readings": digest_of_text(
                repr(sorted(mine.select("delivery", "rows_stored", "read_with").rows()))
            ),
            "settings": _digest(adjustments.filter(during, pl.col("machine") == machine)),
            "checks": checks.get(machine, ""),
            "loads": loads.get(machine, ""),
        }
    return found


def because(before: Inputs, after: Inputs) -> tuple[str, ...]:
    """A sentence for each machine-field whose inputs differ, those that all share first; none the first time."""
    if not before:
        return ()
    told = []
    shared = _changed(before.get(SHARED, {}), after.get(SHARED, {}))
    if shared:
        told.append(f"{' and '.join(shared)} changed, which all rest on.")
    for key in sorted(after.keys() | before.keys()):
        if key == SHARED:
            continue
        machine, field, day = json.loads(key)
        where = f"{machine}, {field or day or 'no field'}"
        if key not in before:
            told.append(f"{where}: it is new.")
        elif key not in after:
            told.append(f"{where}: its readings are gone.")
        elif changed := _changed(before[key], after[key]):
            told.append(f"{where}: {' and '.join(changed)} changed.")
    return tuple(told)


def _changed(before: dict[str, str], after: dict[str, str]) -> list[str]:
    return [_WORDS.get(name, name) for name in after if before.get(name) != after[name]]


def as_text(inputs: Inputs) -> str:
    return json.dumps(inputs, ensure_ascii=False)


def from_text(text: str | None) -> Inputs:
    """What ``as_text`` gave; nothing where there is nothing or another program wrote it."""
    try:
        told = json.loads(text or "{}")
        return {str(key): {str(k): str(v) for k, v in parts.items()} for key, parts in told.items()}
    except (ValueError, AttributeError):
        return {}


def with_times_of(before: pl.DataFrame, effects: pl.DataFrame) -> pl.DataFrame:
    """``effects`` in which rows that stand as they were keep the ``computed_at`` that they had ``before``."""
    import polars as pl

    if before.is_empty() or effects.is_empty():
        return effects
    known = before.select(_row_hash(before), pl.col("computed_at").alias("_earlier")).unique(
        "_row", keep="first"
    )
    return (
        effects.with_columns(_row_hash(effects))
        .join(known, on="_row", how="left", maintain_order="left")
        .with_columns(pl.coalesce("_earlier", "computed_at").alias("computed_at"))
        .drop("_row", "_earlier")
    )


def rows_changed(before: pl.DataFrame, effects: pl.DataFrame) -> int:
    """How many rows of ``effects`` are new or say something else than ``before``."""
    if before.is_empty() or effects.is_empty():
        return effects.height
    return effects.height - int(_row_hash(effects).is_in(_row_hash(before).implode()).sum())


def _row_hash(frame: pl.DataFrame) -> pl.Series:
    from chaffinch.pipelines.lake.checks import as_plain

    return as_plain(frame.drop("computed_at")).hash_rows(1).alias("_row")


def _by_machine(frame: pl.DataFrame) -> dict[str, str]:
    return {str(name[0]): _digest(rows) for name, rows in frame.group_by("machine")}


def _digest(frame: pl.DataFrame) -> str:
    """Of the rows, wherever they were delivered and in whatever order."""
    told = frame.drop("delivery", "file", "row", strict=False)
    return digest_of_text("\n".join(sorted(told.write_ndjson().splitlines()))) if told.height else ""
