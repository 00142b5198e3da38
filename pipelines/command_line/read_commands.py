"""Commands that only look: inspect, season, export, view."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated, Any

import typer
from chaffinch.pipelines.command_line.app import app
from chaffinch.pipelines.command_line.output import Debug, Json, LakeAt, SiteAt, give, lake_at
from chaffinch.pipelines.terminal import json_text, say

WIDTH_IN_A_PIPE = 240


@app.command(epilog="Example: chaffinch inspect inbox/machine_a/2026-07-14.csv")
def inspect(
    file: Annotated[
        Path, typer.Argument(metavar="FILE", help="A log, an archive, or a folder of task data.")
    ],
    farm: Annotated[
        Path | None,
        typer.Option("--farm", metavar="FARM_TOML", help="farm.toml with the mappings of unusual columns."),
    ] = None,
    write_farm: Annotated[
        bool,
        typer.Option(
            "--write-farm", help="Write farm.toml next to FILE: each column, what it is, how sure that is."
        ),
    ] = False,
    as_json: Json = False,
    debug: Debug = False,
) -> int:
    """Show what a file is: kind, channels, units, span, gaps, what would be set aside. Nothing is ingested."""
    from chaffinch.pipelines.command_line import inspection
    from chaffinch.pipelines.command_line.inspection_output import inspection_report
    from chaffinch.pipelines.farm import Farm, load_farm

    found = inspection.inspect(file, load_farm(farm) if farm is not None else Farm(), debug)
    if as_json:
        print(json_text(found))
    else:
        from rich.console import Console

        # In a pipe there is no width, and nothing may be cut off.
        width = None if sys.stdout.isatty() else WIDTH_IN_A_PIPE
        Console(soft_wrap=True, width=width).print(inspection_report(found))
    if write_farm:
        _write_farm(file, found)
    return 1 if any(one["needs_a_look"] for one in found["files"]) else 0


def _write_farm(file: Path, found: dict[str, Any]) -> None:
    """Write farm.toml next to the file. Raises ``CallError`` where there is one already."""
    from chaffinch.pipelines.command_line.farm_template import farm_of
    from chaffinch.pipelines.errors import CallError

    to = (file if file.is_dir() else file.parent) / "farm.toml"
    try:
        with to.open("x", encoding="utf-8") as stream:
            stream.write(farm_of(found))
    except FileExistsError:
        raise CallError(
            f"{to} is there already and was left as it is; copy FILE to another folder."
        ) from None
    except OSError as error:
        raise CallError(f"{to} can't be written: {error.strerror}.") from None
    say(f"Written: {to}. Correct it, then: chaffinch inspect {file.name} --farm {to.name}")


@app.command(epilog="Example: chaffinch season --lake lake --year 2026 --out season_2026.html")
def season(
    lake: LakeAt,
    year: Annotated[int, typer.Option("--year", min=1990, max=2100, help="The season, by calendar year.")],
    out: Annotated[Path, typer.Option("--out", metavar="FILE", help="Ends in .html, .pdf or .xlsx.")],
    as_json: Json = False,
    debug: Debug = False,
) -> int:
    """Report a season over machines, crops and fields."""
    from chaffinch.pipelines.lake.table_files import require_ending

    require_ending(out, (".html", ".pdf", ".xlsx"))
    opened = lake_at(lake)
    from chaffinch.dashboards.report.write import write_season

    made = write_season(opened, year, out, opened.farm())
    for sentence in made["notes"]:
        say(sentence)
    give([f"Season report: {out}"], made, as_json)
    return 0


@app.command(epilog="Example: chaffinch export effects --lake lake --to effects.csv")
def export(
    table: Annotated[
        str,
        typer.Argument(
            metavar="TABLE",
            help="readings, adjustments, loss_checks, load_tickets, fields, effects, responses, loss_curves, "
            "set_aside, deliveries, or work: every reading with its class and why it is not used.",
        ),
    ],
    lake: LakeAt,
    to: Annotated[Path, typer.Option("--to", metavar="FILE", help="Ends in .csv, .parquet or .xlsx.")],
    as_json: Json = False,
    debug: Debug = False,
) -> int:
    """Write a table to a file for other programs.

    Times are UTC in ISO 8601; lists are joined by "; ". Texts in .csv are exactly as logged, so for a spreadsheet
    export files of unknown origin as .xlsx, where no text can act as a formula.
    """
    from chaffinch.pipelines.lake.delivery import DERIVED_TABLES
    from chaffinch.pipelines.lake.export import check_table, export_table
    from chaffinch.pipelines.lake.table_files import require_ending

    check_table(table)
    require_ending(to)
    opened = lake_at(lake)
    if table in DERIVED_TABLES and not opened.is_fresh():
        from chaffinch.pipelines.estimate.derived_tables import refresh_jobs

        refresh_jobs(opened, opened.farm())
    rows = export_table(opened, table, to)
    give([f"{rows} rows of {table}: {to}"], {"table": table, "rows": rows, "to": str(to)}, as_json)
    return 0


@app.command(epilog="Example: chaffinch view --site site")
def view(
    site: SiteAt,
    port: Annotated[int, typer.Option("--port", min=0, max=65535, help="0 takes any free port.")] = 8610,
    as_json: Json = False,
    debug: Debug = False,
) -> int:
    """Serve the pages on this machine only, until stopped with Ctrl+C; open pages reload when they are rewritten."""
    from chaffinch.pipelines.command_line.page_server import serve

    def started(address: str) -> None:
        give(
            [f"Pages are at {address}  (open pages reload when they are rewritten; stop with Ctrl+C)"],
            {"address": address},
            as_json,
        )
        sys.stdout.flush()

    serve(site, port, started, say)
    return 0
