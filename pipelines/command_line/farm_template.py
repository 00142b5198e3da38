"""A ``farm.toml`` made from a file: each column with its meaning and how sure that is, to be corrected."""

from __future__ import annotations

import json
from pathlib import PurePosixPath
from typing import Any

from chaffinch.pipelines.ingest.text.headers import proposed
from chaffinch.schemas.declarations import settings

CERTAINTY = {
    0: "stated before",
    1: "sure: it is the name itself",
    2: "likely: a known word for it",
    3: "likely: a word next to the name says set value",
    4: "likely: a word next to the name says measured value",
}
LONGEST_SAMPLE = 24


def farm_of(found: dict[str, Any]) -> str:
    """The text of a ``farm.toml`` for the files that ``inspect`` found."""
    lines = [
        "# Made from " + ", ".join(file["name"] for file in found["files"])[:200] + ".",
        "# Correct what is wrong and delete what you do not need; every entry is optional. Each column: what it is",
        '# read as, in which unit; "ignore" keeps a column without reading it.',
        "",
        '# time_zone = "Europe/Berlin"        # of times without an offset',
    ]
    for machine in sorted({name for file in found["files"] for name in file.get("machines", [])}):
        lines += ["", f"[machines.{_quoted(machine)}]", "# width_m = 9.0", "# aliases = []"]
    for file in found["files"]:
        lines += _of_file(file)
    return "\n".join(lines) + "\n"


def _of_file(file: dict[str, Any]) -> list[str]:
    columns = [column for column in file.get("columns", []) if "rank" in column]
    if not columns:
        return []
    bare = PurePosixPath(file["name"]).name
    lines = ["", f"[columns.{_quoted(bare)}.names]"]
    return lines + [_of_column(column) for column in columns]


def _of_column(column: dict[str, Any]) -> str:
    sample = f"; first value {column['sample'][:LONGEST_SAMPLE]}" if column.get("sample") else ""
    key = _quoted(column["header"])
    if column["kind"] == "none":
        proposal = proposed(column["header"])
        may = f"; may it be {proposal}?" if proposal else ""
        return _comment(f'{key} = "ignore"', f"{column.get('why') or 'not understood'}{may}{sample}")
    target = settings()[column["is"]].column if column["kind"] == "setting" else column["is"]
    meaning = _quoted(target)
    if column["unit"] and column["to_unit"]:
        meaning = f"{{ is = {meaning}, unit = {_quoted(column['unit'])} }}"
    return _comment(f"{key} = {meaning}", CERTAINTY.get(column["rank"], "a guess") + sample)


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _comment(entry: str, comment: str) -> str:
    plain = "".join(letter if letter.isprintable() else " " for letter in comment)
    return f"{entry}  # {plain}"
