"""The map of the rooms in ``DEVELOPERS.md`` is the tree's."""

from __future__ import annotations

import re

from builders.library import ROOT, files_of_rooms, modules

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
    after = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").split(MARK)[1]
    table = re.search(r"(?:^\|.*\|\n)+", after, re.MULTILINE).group()
    return [[cell.strip() for cell in line.strip("|").split("|")] for line in table.splitlines()[2:]]
