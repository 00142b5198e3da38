"""Commands on simulated seasons: simulate, prove."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer
from chaffinch.pipelines.command_line.app import app
from chaffinch.pipelines.command_line.output import Debug, Json, give, progress
from chaffinch.pipelines.errors import CallError
from chaffinch.pipelines.terminal import say


@app.command(epilog="Example: chaffinch simulate made_up_season --scenario plain --seed 7")
def simulate(
    out: Annotated[
        Path, typer.Argument(metavar="OUT", help="Folder to write; it must not have an inbox yet.")
    ],
    scenario: Annotated[str, typer.Option("--scenario", help="One of the declared scenarios.")] = "plain",
    seed: Annotated[int | None, typer.Option("--seed", help="The same seed gives the same bytes.")] = None,
    fields: Annotated[int | None, typer.Option("--fields", help="Machine-fields in the season.")] = None,
    hours: Annotated[float | None, typer.Option("--hours", help="Hours of work in each.")] = None,
    machines: Annotated[
        int | None, typer.Option("--machines", help="Machines that share the fields.")
    ] = None,
    adjustments: Annotated[int | None, typer.Option("--adjustments", help="Adjustments in each.")] = None,
    year: Annotated[int | None, typer.Option("--year", help="Calendar year of the season.")] = None,
    log_form: Annotated[
        str, typer.Option("--format", help="Of the logs: csv, or task-data of ISO 11783-10.")
    ] = "csv",
    compress: Annotated[bool, typer.Option("--compress", help="Write harvest logs as .csv.gz.")] = False,
    spoil: Annotated[bool, typer.Option("--spoil", help="Damage a few rows, as real logs are.")] = False,
    as_json: Json = False,
    debug: Debug = False,
) -> int:
    """Write a simulated season as an inbox, with its true effects."""
    from chaffinch.pipelines.simulate import write_season_files

    summary = write_season_files(
        out,
        scenario,
        seed,
        fields=fields,
        hours=hours,
        machines=machines,
        adjustments=adjustments,
        year=year,
        log_form=log_form,  # type: ignore[arg-type]  # checked where it is used
        compress=compress,
        spoil=spoil,
    )
    sentences = [
        f"Scenario {summary['scenario']}, seed {summary['seed']}: {summary['machine_fields']} fields, "
        f"{summary['readings']} readings, {summary['adjustments']} adjustments.",
        f"Inbox: {summary['inbox']}",
        f"True effects: {summary['truth']}",
    ]
    give(sentences, summary, as_json)
    return 0


@app.command(epilog="Example: chaffinch prove --scenario plain --seasons 3 --figure proof.html")
def prove(
    scenario: Annotated[
        list[str] | None, typer.Option("--scenario", help="Only this scenario; may be given several times.")
    ] = None,
    seasons: Annotated[int, typer.Option("--seasons", min=1, help="Seasons simulated per scenario.")] = 1,
    seed: Annotated[
        int | None,
        typer.Option("--seed", min=0, help="The same seed, the same seasons; fresh if none."),
    ] = None,
    fields: Annotated[
        int | None,
        typer.Option("--fields", min=1, help="Machine-fields in each season; else the scenario's own."),
    ] = None,
    outcome: Annotated[
        list[str] | None,
        typer.Option("--outcome", help="An outcome, or 'all'; else separation and cleaning loss."),
    ] = None,
    peers: Annotated[
        bool,
        typer.Option("--peers/--no-peers", help="Compare other methods and an oracle on the same seasons."),
    ] = True,
    figure: Annotated[
        Path | None, typer.Option("--figure", metavar="FILE", help="Write a figure of the result, .html.")
    ] = None,
    as_json: Json = False,
    debug: Debug = False,
) -> int:
    """Test the estimator on simulated seasons with known truth.

    Prints, per scenario, how often the 95 % ranges held the truth and how often a change was called where there
    was none. Takes minutes to hours. Exits with 1 if a scenario fails.
    """
    from chaffinch.pipelines.prove import DEFAULT_OUTCOMES, JUDGED_OUTCOMES, PEERS, run_proof

    if figure is not None and (figure.suffix != ".html" or not figure.absolute().parent.is_dir()):
        raise CallError(f"--figure {figure} must end in .html and be in a folder that exists.")
    asked = tuple(outcome or DEFAULT_OUTCOMES)
    with progress("Proving") as step:
        proof = run_proof(
            scenario or None,
            seasons,
            say,
            step,
            seed=seed,
            fields=fields,
            peers=PEERS if peers else (),
            outcomes=JUDGED_OUTCOMES if asked == ("all",) else asked,
        )
    if figure is not None:
        from chaffinch.dashboards.pages.proof_page import write_proof_page

        write_proof_page(proof, figure)
        proof["sentences"].append(f"Figure: {figure}")
    if not as_json and sys.stdout.isatty():
        from chaffinch.pipelines.prove.wording import score_table
        from rich.console import Console

        Console().print(score_table(proof))
    give(proof["sentences"], proof, as_json)
    return 0 if proof["held"] else 1
