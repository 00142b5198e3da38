"""What a document is made of: headings, paragraphs, tables, pictures.

The page (``templates/paper.html``) and the PDF (``templates/paper.typ``) both show these blocks, so that they say the
same. Texts are data: neither of the two reads markup in them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar

Run = tuple[str, str]
"""A text and its style: "", "strong", "quiet", or a tone (better, worse, unclear)."""
Line = tuple[Run, ...]
Cell = tuple[Line, ...]
"""Lines of a cell, one below the other."""


def line(*parts: str | Run) -> Line:
    """One line of plain texts and styled runs; empty texts are left out."""
    runs = [(part, "") if isinstance(part, str) else part for part in parts]
    return tuple(run for run in runs if run[0])


def strong(text: str) -> Run:
    return text, "strong"


def quiet(text: str) -> Run:
    return text, "quiet"


def cell(*lines: str | Run | Line) -> Cell:
    """A cell of lines, each a text, a run or a line; empty lines are left out."""
    return tuple(made for one in lines if (made := _as_line(one)))


def _as_line(one: str | Run | Line) -> Line:
    if isinstance(one, str):
        return line(one)
    if len(one) == 2 and isinstance(one[0], str) and isinstance(one[1], str):
        return line((one[0], one[1]))
    return one


@dataclass(frozen=True, slots=True)
class Heading:
    """level : 1 to 3. id : of level 1, for the contents. new_page : on paper."""

    kind: ClassVar[str] = "heading"
    text: str
    level: int = 2
    id: str = ""
    new_page: bool = False


@dataclass(frozen=True, slots=True)
class Paragraph:
    kind: ClassVar[str] = "paragraph"
    line: Line


@dataclass(frozen=True, slots=True)
class Bullets:
    """small : in small type, for long lists."""

    kind: ClassVar[str] = "bullets"
    lines: Sequence[Line]
    small: bool = False


@dataclass(frozen=True, slots=True)
class Facts:
    """Names with their values, side by side."""

    kind: ClassVar[str] = "facts"
    pairs: Sequence[tuple[str, str]]


@dataclass(frozen=True, slots=True)
class GridColumn:
    """share : of the width, against the other columns. right : numbers."""

    name: str
    share: float = 1.0
    right: bool = False


@dataclass(frozen=True, slots=True)
class Band:
    """A row of a table that heads the rows below it."""

    line: Line


@dataclass(frozen=True, slots=True)
class Grid:
    """small : in small type, for long tables."""

    kind: ClassVar[str] = "table"
    caption: str
    columns: Sequence[GridColumn]
    rows: Sequence[Sequence[Cell] | Band]
    small: bool = False


@dataclass(frozen=True, slots=True)
class Picture:
    """svg : styled by the page, on paper by ``printing``. about : in words. share : of the width of the paper."""

    kind: ClassVar[str] = "picture"
    svg: str
    about: str
    share: float = 1.0


@dataclass(frozen=True, slots=True)
class Cautions:
    """The usual cautions, with those of the settings spoken of."""

    kind: ClassVar[str] = "cautions"
    own: Sequence[str]


@dataclass(frozen=True, slots=True)
class Contents:
    """The headings of level 1 that follow, with their pages."""

    kind: ClassVar[str] = "contents"
    headings: Sequence[tuple[str, str]]


Block = Heading | Paragraph | Bullets | Facts | Grid | Picture | Cautions | Contents


@dataclass(frozen=True, slots=True)
class Paper:
    """A document. logo : data URI, or empty. above : lines over the title. below : lines under it. footer : the last
    line. us : letter paper. tight : in small type, without header and page numbers. scale :
    of the type. links : (words, address) on the
    page."""

    title: str
    above: Sequence[str]
    below: Sequence[str]
    blocks: Sequence[Block]
    footer: str = ""
    logo: str = ""
    logo_words: str = ""
    us: bool = False
    tight: bool = False
    scale: float = 1.0
    links: Sequence[tuple[str, str]] = ()
