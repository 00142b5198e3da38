"""Digests of what results rest on, so that nothing is computed twice and nothing stale is kept."""

from __future__ import annotations

import hashlib
from functools import cache
from importlib.resources import files
from importlib.resources.abc import Traversable
from typing import TYPE_CHECKING

from chaffinch.pipelines.farm import Farm, parse_farm

if TYPE_CHECKING:
    from chaffinch.pipelines.lake.reading import ReadableLake

# Entries of farm.toml that change neither what is read nor what is estimated.
_PAGES_ONLY = {"units", "client", "prices", "tell"}
_READING_CODE = (
    "pipelines/ingest",
    "pipelines/task_data",
    "pipelines/validate",
    "pipelines/units.py",
    "schemas",
)
_ESTIMATING_CODE = (
    "pipelines/estimate",
    "pipelines/work",
    "pipelines/join.py",
    "pipelines/agronomy",
    "pipelines/flow_calibration.py",
    "pipelines/between_files.py",
    "sql",
)
_CODE_ENDINGS = (".py", ".toml", ".sql", ".csv")


def farm_digest(farm: Farm) -> str:
    """Digest of the entries of farm.toml that decide how files are read and effects estimated."""
    return _sha256(farm.model_dump_json(exclude=_PAGES_ONLY))


def reading_digest(farm: Farm, boundaries: list[tuple[str, str]]) -> str:
    """What decides how a file is read: the program, the farm, the known fields (name and polygon as text)."""
    stated = farm_digest(farm.model_copy(update={"load_tickets": ()}))
    return _sha256("\n".join([_code_digest(_READING_CODE), stated, repr(sorted(boundaries))]))[:16]


def inputs_of_effects(lake: ReadableLake) -> str:
    """What the effects rest on: every delivery with rows, how it was read, the farm, the program."""
    text = lake.farm_text()
    farm = parse_farm(text) if text is not None else Farm()
    ledger = lake.ledger()
    # A farm.toml has no rows: what it states that matters is in the digest of the farm.
    ledger = ledger.filter(~ledger["rows_stored"].is_in(["{}", ""]))
    told = ledger.select("delivery", "rows_stored", "read_with").rows()
    code = repr(sorted(program_digests().items()))
    return _sha256("\n".join([code, farm_digest(farm), repr(sorted(told))]))


def program_digests() -> dict[str, str]:
    """Of the catalogue (everything declared) and of the estimator, so that a mended program computes anew."""
    return {"catalogue": _code_digest(("schemas",))[:16], "estimator": _code_digest(_ESTIMATING_CODE)[:16]}


def digest_of_text(text: str) -> str:
    """Sixteen hexadecimal digits that stand for ``text``."""
    return _sha256(text)[:16]


@cache
def _code_digest(places: tuple[str, ...]) -> str:
    """Digest of the program's own files in ``places``, so that a mended program computes anew."""
    whole = hashlib.sha256()
    for place in places:
        package, _, rest = place.partition("/")
        start = files(f"chaffinch.{package}")
        node = start.joinpath(rest) if rest else start
        for path, content in sorted(_contents(node, place)):
            whole.update(path.encode() + hashlib.sha256(content).digest())
    return whole.hexdigest()


def _contents(node: Traversable, path: str) -> list[tuple[str, bytes]]:
    if node.is_file():
        return [(path, node.read_bytes())] if path.endswith(_CODE_ENDINGS) else []
    if not node.is_dir():
        return []
    return [pair for child in node.iterdir() for pair in _contents(child, f"{path}/{child.name}")]


def _sha256(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()
