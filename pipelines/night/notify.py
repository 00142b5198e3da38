"""Send the summary of a night to a command or a web address that farm.toml names under ``[notify]``.

A farm.toml lies where logs are delivered, so that anyone who can write there could have a command run. A command
runs only if the file lies in the inbox, belongs to the user who runs the night, and is not writable by everybody.
"""

from __future__ import annotations

import json
import os
import stat
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from chaffinch.pipelines.errors import ChaffinchError, NotYet
from chaffinch.pipelines.parallel.fan_out import FanOut, one_by_one

if TYPE_CHECKING:
    from chaffinch.pipelines.farm import Notify
    from chaffinch.pipelines.lake import Lake
    from chaffinch.pipelines.night.summary import NightSummary

LONGEST_COMMAND_S = 60
LONGEST_ANSWER_S = 20


class NotSent(ChaffinchError):
    """The summary could not be sent, and a retry would not help."""


def notify(
    night: NightSummary, wanted: Notify, inbox: Path, lake: Lake, each: FanOut = one_by_one
) -> list[str]:
    """Send the summary as ``wanted``. Gives a sentence for each way that failed."""
    if wanted.when == "trouble" and night.exit_code == 0:
        return []
    summary = json.dumps(night.as_json(), ensure_ascii=False, default=str).encode("utf-8", "replace")
    ways: dict[str, Callable[[], None]] = {}
    if wanted.command:
        ways["command"] = lambda: _run(wanted.command, summary, inbox, lake)
    if address := wanted.webhook:
        ways["webhook"] = lambda: _post(address, summary)
    failed = []
    for way in ways:
        try:
            outcomes = each("notify", lambda way: ways[way](), [way], str)
            failed += [str(outcome) for outcome in outcomes if isinstance(outcome, NotYet)]
        except ChaffinchError as error:
            failed.append(str(error))
    return failed


def _run(command: tuple[str, ...], summary: bytes, inbox: Path, lake: Lake) -> None:
    if (doubt := _doubt(inbox, lake)) is not None:
        raise NotSent(f"The command of farm.toml was not run: {doubt}")
    try:
        done = subprocess.run(
            command, input=summary, capture_output=True, timeout=LONGEST_COMMAND_S, check=False
        )
    except subprocess.TimeoutExpired:
        raise NotSent(
            f"The command {command[0]} of farm.toml did not end within {LONGEST_COMMAND_S} s."
        ) from None
    except OSError as error:
        raise NotSent(f"The command {command[0]} of farm.toml can't be run: {error.strerror}.") from None
    if done.returncode:
        said = done.stderr.decode("utf-8", "replace").strip().splitlines()
        why = f": {said[-1][:200]}" if said else "."
        raise NotSent(f"The command {command[0]} of farm.toml ended with code {done.returncode}{why}")


def _doubt(inbox: Path, lake: Lake) -> str | None:
    """Why the farm.toml in use can't be trusted with a command; None where it can."""
    ledger = lake.ledger()
    farms = ledger.filter((ledger["kind"] == "farm") & ledger["stated"].is_not_null())
    names = farms.sort("taken_in_at", "name")["name"].to_list()
    path = inbox / names[-1] if names else inbox / "farm.toml"
    try:
        state = path.lstat()
        same = path.read_text(encoding="utf-8-sig") == lake.farm_text()
    except (OSError, UnicodeDecodeError):
        return f"{path} is not there as it was ingested; keep it in the inbox."
    if not stat.S_ISREG(state.st_mode) or not same:
        return f"{path} is another file than was ingested."
    if hasattr(os, "geteuid") and state.st_uid not in (os.geteuid(), 0):
        return f"{path} belongs to another user; make it your own."
    if state.st_mode & stat.S_IWOTH:
        return f"everybody may write to {path}; change that with: chmod o-w {path}"
    return None


def _post(address: str, summary: bytes) -> None:
    import urllib.error
    import urllib.request

    request = urllib.request.Request(address, summary, {"Content-Type": "application/json"}, method="POST")
    try:
        with urllib.request.urlopen(request, timeout=LONGEST_ANSWER_S):
            pass
    except urllib.error.HTTPError as error:
        kind = NotYet if error.code >= 500 else NotSent
        raise kind(f"The webhook of farm.toml answered {error.code}; check its address.") from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "reason", error)
        raise NotYet(f"The webhook of farm.toml could not be reached ({reason}).") from None
