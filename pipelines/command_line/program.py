"""The program: its commands, and what it prints when one fails."""

from __future__ import annotations

import os
import sys
from typing import Any

import typer
from chaffinch.pipelines.command_line import (  # noqa: F401  they register
    night_commands,
    query_command,
    read_commands,
    simulation_commands,
    trial_commands,
)
from chaffinch.pipelines.command_line.app import app
from chaffinch.pipelines.errors import ChaffinchError
from chaffinch.pipelines.terminal import json_text, say, say_traceback

# Exit code of a command that Ctrl+C ended: 128 and the number of the signal.
STOPPED = 130
# The parser's own root of errors; typer carries the parser inside itself under a private name.
_WrongCall = next(kind for kind in typer.BadParameter.__mro__ if kind.__name__ == "ClickException")


def run(arguments: list[str]) -> int:
    """Run one command and return its exit code. A failure is one or two sentences on standard error."""
    debug, as_json = "--debug" in arguments, "--json" in arguments
    try:
        outcome = app(args=arguments, standalone_mode=False, prog_name="chaffinch")
        if outcome == STOPPED:
            raise KeyboardInterrupt
        sys.stdout.flush()
        return outcome if isinstance(outcome, int) else 0
    except ChaffinchError as error:
        return _failed(str(error), error.exit_code, debug, as_json)
    except _WrongCall as error:  # type: ignore[misc]
        if type(error).__name__ == "NoArgsIsHelpError":
            typer.echo(error.format_message(), err=True)
            return 2
        return _failed(_wrong_call(error), 2, debug, as_json)
    except (typer.Abort, KeyboardInterrupt):
        return _failed(
            "Stopped. What was ingested is kept; run the same command again to continue.", STOPPED, debug
        )
    except BrokenPipeError:
        # The reader of the output has gone; without this the interpreter complains at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 1
    except SystemExit:
        raise
    except BaseException as error:  # noqa: BLE001  the last resort, also for panics below Python
        what = f"{type(error).__name__}: {error}".strip().splitlines()[0][:300]
        sentence = f"Something unexpected went wrong ({what}). "
        sentence += "Run it again with --debug and report what it shows."
        return _failed(sentence, 1, debug, as_json)


def _failed(sentence: str, exit_code: int, debug: bool, as_json: bool = False) -> int:
    if debug:
        say_traceback(sys.exception())
    say(sentence)
    if as_json:
        typer.echo(json_text({"error": sentence, "exit_code": exit_code}))
    return exit_code


def _wrong_call(error: Any) -> str:
    """What is wrong with the call, and where to find help."""
    message = str(error.format_message()).strip()
    message = message if message.endswith((".", "?")) else f"{message}."
    context = getattr(error, "ctx", None)
    return f"{message} See: {context.command_path if context else 'chaffinch'} --help"
