"""A proof as one file that opens anywhere, without a network."""

from __future__ import annotations

from collections.abc import Mapping
from html import escape
from pathlib import Path
from typing import Any

from chaffinch.dashboards.figures.proof_figure import proof_figure
from chaffinch.pipelines.errors import CallError

_PAGE = """<!doctype html>
<html lang="en"><head><meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1"><title>{title}</title>
<style>body{{font-family:system-ui,sans-serif;max-width:64rem;margin:1rem auto;padding:0 1rem}}
div.wide{{overflow-x:auto}}</style></head>
<body><h1>{title}</h1>
<p>Bars are exact binomial 95 % ranges. The shaded strip is the claim: 91 to 98 %. Widths are shown
for outcomes whose true noise the oracle knows.</p>
<div class="wide">{figure}</div>
<ul>{sentences}</ul></body></html>
"""


def write_proof_page(proof: Mapping[str, Any], file: Path) -> None:
    """Write the figure and the sentences of a proof to ``file``.

    Raises ``CallError`` where ``file`` can't be written.
    """
    figure = proof_figure(proof["scores"]).to_html(
        full_html=False, include_plotlyjs="inline", div_id="proof", config={"displaylogo": False}
    )
    page = _PAGE.format(
        title=f"Ranges against known truth, seed {proof['seed']}",
        figure=figure,
        sentences="".join(f"<li>{escape(s)}</li>" for s in proof["sentences"]),
    )
    try:
        file.write_text(page, encoding="utf-8")
    except OSError as error:
        raise CallError(f"The figure can't be written to {file}: {error.strerror}.") from None
