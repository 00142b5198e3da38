"""Documents for paper: one list of blocks, shown as a page and printed as a PDF."""

from __future__ import annotations

from importlib.resources import files


def paper_file(name: str) -> str:
    """Content of one file of this folder: a style or the layout of the PDF."""
    return files("chaffinch.dashboards.paper").joinpath(name).read_text(encoding="utf-8")
