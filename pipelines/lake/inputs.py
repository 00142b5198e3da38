"""Digests of what results rest on, so that nothing is computed twice and nothing stale is kept."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING

from chaffinch.pipelines.farm import Farm
from chaffinch.pipelines.program_digest import program_digest

if TYPE_CHECKING:
    from chaffinch.pipelines.lake.readable import ReadableLake

# Entries of farm.toml that change neither what is read nor what is estimated.
_PAGES_ONLY = {"units", "client", "prices", "notify"}


def farm_digest(farm: Farm) -> str:
    """Digest of the entries of farm.toml that decide how files are read and effects estimated."""
    return _sha256(farm.model_dump_json(exclude=_PAGES_ONLY))


def reading_digest(farm: Farm, boundaries: list[tuple[str, str]]) -> str:
    """What decides how a file is read: the program, the farm, the known fields (name and polygon as text)."""
    stated = farm_digest(farm.model_copy(update={"load_tickets": ()}))
    return _sha256("\n".join([program_digest(), stated, repr(sorted(boundaries))]))[:16]


def inputs_of_effects(lake: ReadableLake) -> str:
    """What the effects rest on: every delivery with rows, how it was read, the farm, the program."""
    ledger = lake.ledger()
    # A farm.toml has no rows: what it states that matters is in the digest of the farm.
    ledger = ledger.filter(~ledger["rows_stored"].is_in(["{}", ""]))
    told = ledger.select("delivery", "rows_stored", "read_with").rows()
    return _sha256("\n".join([program_digest(), farm_digest(lake.farm()), repr(sorted(told))]))


def digest_of_text(text: str) -> str:
    """Sixteen hexadecimal digits that stand for ``text``."""
    return _sha256(text)[:16]


def _sha256(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()
