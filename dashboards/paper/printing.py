"""From blocks to a PDF, by an engine that comes with the program: no browser, no network, no font of the machine
unless a character needs one."""

from __future__ import annotations

import json
from base64 import b64decode
from collections.abc import Sequence
from datetime import datetime
from itertools import pairwise
from typing import Any, Literal

from chaffinch.dashboards.figures.theme import PALETTE, light
from chaffinch.dashboards.paper import paper_file
from chaffinch.dashboards.paper.blocks import Band, Block, Cautions, Grid, Paper, Picture
from chaffinch.dashboards.words.cautions import CAUTIONS_TITLE, FIRST_CAUTIONS, LAST_CAUTION
from chaffinch.dashboards.words.terms import plainly
from chaffinch.pipelines.errors import ChaffinchError

FONT = "Libertinus Serif"
FIGURE_STYLE = "figure.css"


def print_pdf(paper: Paper, dated: datetime) -> bytes:
    """The PDF of ``paper``, with ``dated`` as its date: the same paper gives the same bytes.

    Raises ``ChaffinchError`` where the engine refuses, as it does a broken logo.
    """
    made = _compiled(paper, "pdf", dated)
    assert isinstance(made, bytes)
    return made


def count_pages(paper: Paper) -> int:
    """Pages of ``paper``."""
    made = _compiled(paper, "svg", None)
    return len(made) if isinstance(made, list) else 1


def _compiled(
    paper: Paper, form: Literal["pdf", "svg"], dated: datetime | None
) -> bytes | list[bytes] | None:
    import typst

    try:
        return typst.compile(
            paper_file("paper.typ").encode(),
            format=form,
            sys_inputs={"data": json.dumps(_plain(_as_data(paper)), ensure_ascii=False)},
            timestamp=None if dated is None else int(dated.timestamp()),
        )
    except typst.TypstError as error:
        why = f"{error.message.rstrip('.')}."
        raise ChaffinchError(f"The PDF can't be made: {why} Write .html instead.") from None


def _as_data(paper: Paper) -> dict[str, Any]:
    logo = None
    if paper.logo:
        head, _, coded = paper.logo.partition(",")
        kind = "svg" if "svg" in head else "png"
        content = b64decode(coded)
        # An SVG is text, other pictures are numbers from 0 to 255.
        logo = {
            "content": content.decode("utf-8", "replace") if kind == "svg" else list(content),
            "format": kind,
            "words": paper.logo_words,
        }
    return {
        "title": paper.title,
        "author": paper.above[0] if paper.above else "",
        "header": " · ".join([*paper.above[:1], paper.title]),
        "above": list(paper.above),
        "below": list(paper.below),
        "footer": paper.footer,
        "logo": logo,
        "paper": "us-letter" if paper.us else "a4",
        "tight": paper.tight,
        "scale": paper.scale,
        "colours": {name: light(name) for name in PALETTE},
        "blocks": [_block(block) for block in paper.blocks],
    }


def _block(block: Block) -> dict[str, Any]:
    kind = {"kind": block.kind}
    if isinstance(block, Grid):
        columns = [{"name": c.name, "share": c.share, "right": c.right} for c in block.columns]
        rows = [{"band": row.line} if isinstance(row, Band) else row for row in block.rows]
        spans = rows_together([isinstance(row, Band) for row in block.rows])
        return kind | {
            "caption": block.caption, "columns": columns, "rows": rows, "small": block.small, "together": spans
        }  # fmt: skip
    if isinstance(block, Cautions):
        return kind | {"title": CAUTIONS_TITLE, "lines": [*FIRST_CAUTIONS, *block.own, LAST_CAUTION]}
    if isinstance(block, Picture):
        return kind | {"svg": _styled(block.svg), "about": block.about, "share": block.share}
    return kind | {name: getattr(block, name) for name in block.__dataclass_fields__}


def rows_together(bands: Sequence[bool]) -> list[int]:
    """Lengths of the runs of rows that no page may divide: the first and the last three, and a band with its row.

    bands : of each row whether it is one.
    """
    n = len(bands)
    after = {0, 1, n - 3, n - 2} | {i for i, band in enumerate(bands) if band}
    ends = [i + 1 for i in range(n) if i == n - 1 or i not in after]
    return [end - start for start, end in pairwise([0, *ends])]


def _styled(svg: str) -> str:
    """``svg`` with the style of figures in it, in the light colours and in the font of the paper."""
    style = paper_file(FIGURE_STYLE)
    for name in PALETTE:
        style = style.replace(f"var(--{name})", light(name))
    first, rest = svg.split(">", 1)
    space = "" if "xmlns=" in first else ' xmlns="http://www.w3.org/2000/svg"'
    return f'{first}{space} font-family="{FONT}"><style>{style}</style>{rest}'


def _plain(value: Any) -> Any:
    """Every text without characters that hide or reorder others."""
    if isinstance(value, dict):
        return {key: one if key == "content" else _plain(one) for key, one in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(one) for one in value]
    return plainly(value)
