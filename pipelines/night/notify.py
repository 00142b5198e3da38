"""Send the summary of a night to a command or a web address that farm.toml names under ``[notify]``.

A farm.toml lies where logs are delivered, so that anyone who can write there could run a command or learn how the
night went. Both are used only if ``INBOX/farm.toml`` itself names them, is the user's own file, and nobody else may
write to it.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Callable
from pathlib import Path
from urllib.parse import urlsplit

from chaffinch.pipelines.errors import ChaffinchError, NotYet
from chaffinch.pipelines.farm.entries import Notify
from chaffinch.pipelines.lake import Lake
from chaffinch.pipelines.night.summary import NightSummary
from chaffinch.pipelines.parallel.children import TookTooLong, run_child
from chaffinch.pipelines.parallel.fan_out import FanOut, one_by_one
from chaffinch.pipelines.terminal import json_text

LONGEST_COMMAND_S = 60
LONGEST_ANSWER_S = 20


class NotSent(ChaffinchError):
    """The summary could not be sent, and a retry would not help."""


def notify(
    night: NightSummary, wanted: Notify, inbox: Path, lake: Lake, each: FanOut = one_by_one
) -> list[str]:
    """Send the summary as ``wanted``. Returns a sentence for each way that failed."""
    if wanted.when == "trouble" and night.exit_code == 0:
        return []
    summary = json_text(night.as_json()).encode()
    ways: dict[str, Callable[[], None]] = {}
    if wanted.command:
        ways["command"] = lambda: _run(wanted.command, summary)
    if address := wanted.webhook:
        ways["webhook"] = lambda: _post(address, summary)
    if ways and (doubt := _doubt(inbox, lake)) is not None:
        which = " and ".join(ways)
        return [f"The {which} of farm.toml {'were' if len(ways) > 1 else 'was'} not used: {doubt}"]
    failed = []
    for way in ways:
        try:
            outcomes = each("notify", lambda way: ways[way](), [way], str)
            failed += [str(outcome) for outcome in outcomes if isinstance(outcome, NotYet)]
        except ChaffinchError as error:
            failed.append(str(error))
    return failed


def _run(command: tuple[str, ...], summary: bytes) -> None:
    try:
        code, said = run_child(command, LONGEST_COMMAND_S, given=summary)
    except TookTooLong:
        raise NotSent(
            f"The command {command[0]} of farm.toml did not end within {LONGEST_COMMAND_S} s."
        ) from None
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or error
        raise NotSent(f"The command {command[0]} of farm.toml can't be run: {why}.") from None
    if code:
        why = f": {said}" if said else "."
        raise NotSent(f"The command {command[0]} of farm.toml ended with code {code}{why}")


def _doubt(inbox: Path, lake: Lake) -> str | None:
    """Why the farm.toml in use can't be trusted with a command or an address; None where it can."""
    path, in_use = inbox / "farm.toml", lake.farm_text()
    ledger = lake.ledger()
    named = ledger.filter((ledger["kind"] == "farm") & (ledger["stated"] == in_use))["name"].to_list()
    if "farm.toml" not in named:
        listed = ", ".join(named) or "a file that is gone"
        return f"the farm data come from {listed}; only {path} itself may name them."
    try:
        # Looked at and read through one handle, so that no other file can be put in its place in between.
        handle = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK)
    except OSError:
        return f"{path} is not there as it was ingested; keep it in the inbox, as a file and not as a link."
    with os.fdopen(handle, encoding="utf-8-sig") as file:
        state = os.fstat(handle)
        if not stat.S_ISREG(state.st_mode):
            return f"{path} is not a plain file."
        if state.st_uid != os.geteuid():
            return f"{path} belongs to another user; make it your own."
        if state.st_mode & (stat.S_IWGRP | stat.S_IWOTH):
            return f"others may write to {path}; change that with: chmod go-w {path}"
        try:
            same = file.read() == in_use
        except (OSError, UnicodeDecodeError):
            same = False
    return None if same else f"{path} is another file than was ingested."


def _post(address: str, summary: bytes) -> None:
    """Send by POST; the whole exchange has ``LONGEST_ANSWER_S``, however slowly the other side answers."""
    from threading import Thread

    outcome: list[ChaffinchError | None] = []
    # A name that does not resolve, or an answer a byte at a time, can't be interrupted, so its thread is abandoned.
    exchange = Thread(target=lambda: outcome.append(_answered(address, summary)), daemon=True)
    exchange.start()
    exchange.join(LONGEST_ANSWER_S)
    if not outcome:
        raise NotYet(f"{_webhook(address)} did not answer within {LONGEST_ANSWER_S} s.")
    if outcome[0] is not None:
        raise outcome[0]


def _answered(address: str, summary: bytes) -> ChaffinchError | None:
    import urllib.error
    import urllib.request

    class Direct(urllib.request.HTTPRedirectHandler):
        """Another address than the stated one gets nothing."""

        def redirect_request(self, *_: object) -> None:
            return None

    try:
        request = urllib.request.Request(
            address, summary, {"Content-Type": "application/json"}, method="POST"
        )
        with urllib.request.build_opener(Direct).open(request, timeout=LONGEST_ANSWER_S):
            return None
    except urllib.error.HTTPError as error:
        if 300 <= error.code < 400:
            return NotSent(
                f"{_webhook(address)} answered {error.code}, a redirect, which is not followed; "
                "state the address that it leads to."
            )
        kind = NotYet if error.code >= 500 else NotSent
        return kind(f"{_webhook(address)} answered {error.code}; check its address.")
    except Exception as error:  # noqa: BLE001  any answer becomes a sentence, and the night ends well
        reason = getattr(error, "reason", error)
        return NotYet(f"{_webhook(address)} could not be reached ({reason}).")


def _webhook(address: str) -> str:
    """The address in messages, without what may be secret in it: user, password, query."""
    try:
        parts = urlsplit(address)
        port = f":{parts.port}" if parts.port else ""
        return f"The webhook {parts.scheme}://{parts.hostname}{port}{parts.path} of farm.toml"
    except ValueError:
        return "The webhook of farm.toml"
