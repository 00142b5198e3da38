"""What decides whether anything is stale: digests of what it was made from.

A file is read again when ``reading_digest`` changes. Rows of a field job are made again when ``made_from`` its
inputs changes, effects when ``inputs_of_effects`` does; ``because`` says by the inputs of field jobs what changed.
Every digest contains the program's.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping

import polars as pl
from chaffinch.pipelines.farm import Farm
from chaffinch.pipelines.lake.readable import ReadableLake
from chaffinch.pipelines.program_digest import program_digest

# Entries of farm.toml that change neither what is read nor what is estimated.
_PAGES_ONLY = {"units", "client", "prices", "notify"}
# The entry for what all field jobs share.
ALL_JOBS = ""
_WORDS = {
    "readings": "its readings",
    "settings": "the adjustments in its days",
    "checks": "the loss checks of the machine",
    "loads": "the load tickets of the machine",
    "delays": "the delays of the machine's sensors",
    "program": "the program",
    "farm": "what farm.toml states",
}

Inputs = dict[str, dict[str, str]]
"""Digests by field job (``job_key``) and by what they are of."""


def farm_digest(farm: Farm) -> str:
    """Digest of the entries of farm.toml that decide how files are read and effects estimated."""
    return digest_of_text(farm.model_dump_json(exclude=_PAGES_ONLY))


def reading_digest(farm: Farm, boundaries: list[tuple[str, str]]) -> str:
    """What decides how a file is read: the program, the farm, the known fields (name and polygon as text)."""
    stated = farm_digest(farm.model_copy(update={"load_tickets": ()}))
    return digest_of_text("\n".join([program_digest(), stated, repr(sorted(boundaries))]))


def inputs_of_effects(lake: ReadableLake) -> str:
    """What the effects depend on: every delivery with rows, how it was read, the farm, the program."""
    ledger = lake.ledger()
    # A farm.toml has no rows: what it states that matters is in the digest of the farm.
    ledger = ledger.filter(~ledger["rows_stored"].is_in(["{}", ""]))
    deliveries = ledger.select("delivery", "rows_stored", "read_with").rows()
    return digest_of_text("\n".join([program_digest(), farm_digest(lake.farm()), repr(sorted(deliveries))]))


def shared_inputs(farm: Farm) -> dict[str, str]:
    return {"program": program_digest(), "farm": farm_digest(farm)}


def made_from(inputs: Mapping[str, str]) -> str:
    """The digest that the rows of a field job carry: of the program and of its own inputs."""
    return digest_of_text(json.dumps([program_digest(), sorted(inputs.items())]))


def because(before: Inputs, after: Inputs) -> tuple[str, ...]:
    """A sentence for each field job whose inputs differ, those that all share first; none the first time."""
    if not before:
        return ()
    sentences = []
    shared = _changed(before.get(ALL_JOBS, {}), after.get(ALL_JOBS, {}))
    if shared:
        sentences.append(f"{' and '.join(shared)} changed, on which all effects depend.")
    for key in sorted(after.keys() | before.keys()):
        if key == ALL_JOBS:
            continue
        machine, field, day = json.loads(key)
        where = f"{machine}, {field or day or 'no field'}"
        if key not in before:
            sentences.append(f"{where}: it is new.")
        elif key not in after:
            sentences.append(f"{where}: its readings are gone.")
        elif changed := _changed(before[key], after[key]):
            sentences.append(f"{where}: {' and '.join(changed)} changed.")
    return tuple(sentences)


def _changed(before: dict[str, str], after: dict[str, str]) -> list[str]:
    changed = [name for name in after if before.get(name) != after[name]]
    # The delays of a log that changed follow from it.
    return [_WORDS.get(name, name) for name in changed if name != "delays" or "readings" not in changed]


def as_text(inputs: Inputs) -> str:
    return json.dumps(inputs, ensure_ascii=False)


def from_text(text: str | None) -> Inputs:
    """What ``as_text`` gave; nothing where there is nothing or another program wrote it."""
    try:
        read = json.loads(text or "{}")
        return {str(key): {str(k): str(v) for k, v in parts.items()} for key, parts in read.items()}
    except (ValueError, AttributeError):
        return {}


def with_times_of(before: pl.DataFrame, effects: pl.DataFrame) -> pl.DataFrame:
    """``effects`` in which rows that are unchanged keep the ``computed_at`` that they had ``before``."""
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
    return as_plain(frame.drop("computed_at")).hash_rows(1).alias("_row")


def as_plain(frame: pl.DataFrame) -> pl.DataFrame:
    """``frame`` with lists as texts: the same values hash alike however a list is laid out in memory."""
    return frame.with_columns(
        pl.col(c).list.join("\x1f").alias(c) for c, kind in frame.schema.items() if kind == pl.List
    )


def digest_of_frame(frame: pl.DataFrame) -> str:
    """Of the rows in their order."""
    return digest_of_text(frame.write_ndjson()) if frame.height else ""


def digest_of_text(text: str) -> str:
    """Sixteen hexadecimal digits that stand for ``text``."""
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()[:16]
