"""The season report: a page, the same page as PDF, or sheets."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

from chaffinch.dashboards.report.worth import weighed_season
from chaffinch.pipelines.atomic_write import write_whole
from chaffinch.pipelines.errors import CallError, ChaffinchError
from chaffinch.pipelines.farm import Farm
from chaffinch.pipelines.lake import ReadableLake
from chaffinch.pipelines.lake.table_files import require_ending

ENDINGS = (".html", ".pdf", ".xlsx")


def write_season(lake: ReadableLake, year: int, out: Path, farm: Farm) -> dict[str, Any]:
    """Report the season ``year`` (calendar year, UTC) to ``out``: .html, .pdf or .xlsx by its ending.

    The same data give the same bytes. Returns counts and ``notes``: sentences about what could not be done, such as a
    logo that was not found. Raises ``CallError`` for another ending, a folder that is not there, or a year without
    effects.
    """
    out = Path(out)
    require_ending(out, ENDINGS)
    ending = out.suffix.lower()
    season = weighed_season(lake, year, farm)
    notes: list[str] = []
    if ending == ".xlsx":
        from chaffinch.dashboards.report.sheets import season_sheets

        content = season_sheets(season)
    else:
        from chaffinch.dashboards.paper.page import paper_page
        from chaffinch.dashboards.paper.printing import print_pdf
        from chaffinch.dashboards.report.document import last_moment, report_paper

        logo = lake.picture(farm.client.logo) if farm.client.logo else None
        if farm.client.logo and logo is None:
            notes.append(
                f"The logo '{farm.client.logo}' of farm.toml is not among the ingested pictures; put it into the "
                "inbox as PNG or SVG of up to 500 kB and ingest again."
            )
        paper = report_paper(season, logo or "")
        if ending == ".html":
            content = paper_page(paper)
        else:
            dated = last_moment(season.data)
            try:
                content = print_pdf(paper, dated)
            except ChaffinchError as error:
                if not logo:
                    raise
                notes.append(f"The logo of farm.toml is left out. {error}")
                content = print_pdf(replace(paper, logo=""), dated)
    try:
        write_whole(out, content)
    except OSError as error:
        raise CallError(f"{out} can't be written: {error.strerror or error}.") from None
    return {
        "out": str(out),
        "year": year,
        "fields": season.data.where.height,
        "changes": sum(len(one.changes) for one in season.by_field),
        "weighed": sum(w.saved_kg_ha is not None for w in season.worths),
        "bytes": len(content),
        "notes": notes,
    }
