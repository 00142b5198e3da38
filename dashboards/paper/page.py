"""From blocks to a page in one file, without scripts."""

from __future__ import annotations

from chaffinch.dashboards.figures.theme import style_properties
from chaffinch.dashboards.paper import paper_file
from chaffinch.dashboards.paper.blocks import Paper
from chaffinch.dashboards.templates import render


def paper_page(paper: Paper) -> bytes:
    """The page of ``paper``; a browser shows it without any other file."""
    style = style_properties() + paper_file("figure.css") + paper_file("paper.css")
    context = {name: getattr(paper, name) for name in paper.__dataclass_fields__}
    return render("paper", context | {"style": style}, "")
