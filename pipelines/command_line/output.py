"""What commands print: sentences on standard error, one summary on standard output."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from chaffinch.pipelines.terminal import json_text, visible

if TYPE_CHECKING:
    from chaffinch.pipelines.lake import Lake

Inbox = Annotated[Path, typer.Argument(metavar="INBOX", help="Folder with exported logs, at any depth.")]
LakeAt = Annotated[
    str, typer.Option("--lake", metavar="LAKE", help="Folder (or object store URI) of the lake.")
]
SiteAt = Annotated[Path, typer.Option("--site", metavar="SITE", help="Folder of the pages.")]
Json = Annotated[bool, typer.Option("--json", help="One machine-readable summary on standard output.")]
Debug = Annotated[bool, typer.Option("--debug", help="Show the traceback where something fails.")]


def lake_at(place: str, *, must_exist: bool = True, hurt: bool = False) -> Lake:
    """The lake at ``place``; see ``Lake.open``. Commands that need none do not load what reads one."""
    from chaffinch.pipelines.lake import Lake

    return Lake.open(place, must_exist=must_exist, hurt=hurt)


def give(sentences: Sequence[str], summary: dict[str, Any], as_json: bool) -> None:
    """The result: ``summary`` as JSON, else ``sentences``, on standard output."""
    if as_json:
        print(json_text(summary, allow_nan=False))
    else:
        print("\n".join(map(visible, sentences)))


@contextmanager
def progress(title: str) -> Iterator[Callable[[int, int, str], None]]:
    """A callback (done, of, name) that shows a bar on a terminal and nothing in a pipe."""
    if not sys.stderr.isatty():
        yield lambda done, of, name: None
        return
    from rich.console import Console
    from rich.markup import escape
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn

    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TextColumn("{task.fields[name]}"),
    )
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(title, total=None, name="")
        yield lambda done, of, name: bar.update(task, completed=done, total=of, name=escape(visible(name)))
