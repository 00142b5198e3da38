"""The season report: a page, the same page as PDF, or sheets."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from chaffinch.dashboards.report.worth import weighed_season
from chaffinch.pipelines.atomic_write import write_whole
from chaffinch.pipelines.errors import CallError
from chaffinch.pipelines.farm import Farm
from chaffinch.pipelines.lake import ReadableLake
from chaffinch.pipelines.lake.table_files import require_ending

ENDINGS = (".html", ".pdf", ".xlsx")


def write_season(lake: ReadableLake, year: int, out: Path, farm: Farm) -> dict[str, Any]:
    """Report the season ``year`` (calendar year, UTC) to ``out``: .html, .pdf or .xlsx by its ending.

    The same data give the same bytes, of a PDF the same pages. Returns counts and ``notes``: sentences about what
    could not be done, such as a logo that was not found. Raises ``CallError`` for another ending, a folder that is
    not there, a year without effects, or a PDF without a Chromium to print it.
    """
    out = Path(out)
    require_ending(out, ENDINGS)
    ending = out.suffix.lower()
    if ending == ".pdf":
        from chaffinch.dashboards.report.pdf import find_chromium

        find_chromium()
    season = weighed_season(lake, year, farm)
    notes: list[str] = []
    if ending == ".xlsx":
        from chaffinch.dashboards.report.sheets import season_sheets

        content = season_sheets(season)
    else:
        from chaffinch.dashboards.report.document import last_moment, report_page
        from chaffinch.dashboards.report.logo import logo_of

        # The logo from the inbox comes before one in the working directory.
        logo = lake.picture(farm.client.logo) if farm.client.logo else None
        if logo is None:
            logo, missing = logo_of(farm.client.logo, _logo_folders(lake, out))
            notes += missing
        content = report_page(season, logo)
        if ending == ".pdf":
            from chaffinch.dashboards.report.pdf import print_pdf

            content = print_pdf(content, last_moment(season.data))
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


def _logo_folders(lake: ReadableLake, out: Path) -> list[Path]:
    """Where a logo may lie: the folder of the report, the one the command was called in, the lake."""
    folders = [out.parent, Path.cwd()]
    return folders if lake.folder is None else [*folders, lake.folder]
