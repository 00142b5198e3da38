"""What ``DEVELOPERS.md`` says of the tree is so: the map of the rooms, the environment variables."""

from __future__ import annotations

import re

from builders.environment import DEFAULTS
from builders.library import FOLDERS, ROOT, files_of_rooms, modules

MARK = "<!-- map:"


def test_every_room_is_in_the_map_once_and_nothing_else():
    rooms = [where for where, _ in _rows()]
    assert sorted(rooms) == sorted([*files_of_rooms(), "sample_data"])


def test_where_to_start_reading_exists():
    starts = [(where, *start) for where, starts in _rows() for start in starts]
    assert len(starts) >= 30
    assert [f"{where}/{file}" for where, file, _ in starts if not (ROOT / where / file).is_file()] == []
    assert [
        f"{where}/{file}: {symbol}"
        for where, file, symbol in starts
        if symbol and symbol not in modules()[f"{where}/{file}"].defined
    ] == []


def test_a_room_says_what_it_does():
    assert [row[0] for row in _cells() if len(row) != 3 or len(row[1]) < 10] == []


def _rows() -> list[tuple[str, list[tuple[str, str]]]]:
    """Each row's room and where to start reading, as pairs of file and name in it (or nothing)."""
    return [
        (where.strip("`"), re.findall(r"`([^`:]+)(?:: ([^`]+))?`", starts)) for where, _, starts in _cells()
    ]


def _cells() -> list[list[str]]:
    after = _developers().split(MARK)[1]
    table = re.search(r"(?:^\|.*\|\n)+", after, re.MULTILINE).group()
    return [[cell.strip() for cell in line.strip("|").split("|")] for line in table.splitlines()[2:]]


def test_every_environment_variable_is_in_the_table_with_its_default():
    table = re.findall(r"^\| `(CHAFFINCH_\w+)` \| (?:`(.+?)` )?\|", _developers(), re.MULTILINE)
    sources = [path for folder in (*FOLDERS, "tests") for path in (ROOT / folder).rglob("*.py")]
    used = {
        name
        for path in sources
        for name in re.findall(r"\bCHAFFINCH_[A-Z_]+\b", path.read_text(encoding="utf-8"))
    }
    assert sorted(name for name, _ in table) == sorted(used)
    assert {name: default for name, default in table if name in DEFAULTS} == DEFAULTS


def _developers() -> str:
    return (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
