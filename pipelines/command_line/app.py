"""The typer app that the commands register with."""

from __future__ import annotations

from typing import Annotated

import typer

app = typer.Typer(
    name="chaffinch",
    help="What each combine adjustment did to grain loss and throughput, from the logs of the machine.",
    epilog="Example: chaffinch nightly inbox --lake lake --site site",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)


def _version(wanted: bool) -> None:
    if wanted:
        from importlib.metadata import version

        typer.echo(f"chaffinch {version('chaffinch')}")
        raise typer.Exit


@app.callback()
def _program(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Show the version.")
    ] = False,
) -> None:
    pass
