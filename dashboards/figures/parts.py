"""Pieces of a page that templates draw: a figure with its table."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from chaffinch.dashboards.figures.theme import Figure, figure_json


@dataclass(frozen=True, slots=True)
class ShownTable:
    """Texts of a table; the first column heads its rows. notes : sentences below it, which cells name by number."""

    caption: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Drawn:
    """A figure ready for a page: fixed id, JSON, what it shows in words, and the same numbers as a table.

    switches : (label, index of the trace) for the layers of a map. zooms : (label, from ms, to ms).
    """

    id: str
    json: str
    description: str
    table: ShownTable
    height: int
    switches: tuple[tuple[str, int], ...] = ()
    zooms: tuple[tuple[str, float, float], ...] = ()


@dataclass(frozen=True, slots=True)
class Folded:
    """A figure of what is at least likely, and one, folded away, of what is open; None where there is nothing."""

    heading: str
    shown: Drawn | None
    open: Drawn | None


def draw(
    figure: Figure | None, identity: str, description: str, table: ShownTable, **more: Any
) -> Drawn | None:
    """``figure`` as a part of a page; None where there is no figure."""
    if figure is None:
        return None
    return Drawn(identity, figure_json(figure), description, table, int(figure.layout["height"]), **more)


def number(value: float | None, digits: int) -> str:
    """A cell: fixed digits, or a dash where nothing is known."""
    return "–" if value is None or value != value else f"{value:.{digits}f}".replace("-", "−")


def rows_of(cells: Sequence[Sequence[str]]) -> tuple[tuple[str, ...], ...]:
    return tuple(tuple(row) for row in cells)
