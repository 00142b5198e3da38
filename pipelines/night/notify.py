"""Hand the summary of a night to who wants it: a command or an address that farm.toml names under ``tell``.

A farm.toml lies where logs are delivered, so that whoever can write there could have a command run. One is run
only where the file lies in the inbox, belongs to the user who runs the night, and nobody else may write to it.
"""

from __future__ import annotations

import json
import os
import stat
import subprocess
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


class NotTold(ChaffinchError):
    """The summary could not be handed over, and waiting does not mend it."""


def tell(
    night: NightSummary, wanted: Notify, inbox: Path, lake: Lake, each: FanOut = one_by_one
) -> list[str]:
    """Hand the summary over as ``wanted``. Gives a sentence for each way that failed."""
    if wanted.when == "trouble" and night.exit_code == 0:
        return []
    summary = json.dumps(night.as_json(), ensure_ascii=False, default=str).encode("utf-8", "replace")
    ways = []
    if wanted.command:
        ways.append(("command", lambda: _run(wanted.command, summary, inbox, lake)))
    if wanted.webhook:
        address = wanted.webhook
        ways.append(("webhook", lambda: _post(address, summary)))
    failed = []
    for way in ways:
        try:
            for outcome in each("tell", lambda one: one[1](), [way], lambda one: one[0]):
                if isinstance(outcome, NotYet):
                    failed.append(str(outcome))
        except ChaffinchError as error:
            failed.append(str(error))
    return failed


def _run(command: tuple[str, ...], summary: bytes, inbox: Path, lake: Lake) -> None:
    if (doubt := _doubt(inbox, lake)) is not None:
        raise NotTold(f"The command of farm.toml was not run: {doubt}")
    try:
        done = subprocess.run(
            command, input=summary, capture_output=True, timeout=LONGEST_COMMAND_S, check=False
        )
    except subprocess.TimeoutExpired:
        raise NotTold(
            f"The command {command[0]} of farm.toml did not end within {LONGEST_COMMAND_S} s."
        ) from None
    except OSError as error:
        raise NotTold(f"The command {command[0]} of farm.toml can't be run: {error.strerror}.") from None
    if done.returncode:
        said = done.stderr.decode("utf-8", "replace").strip().splitlines()
        why = f": {said[-1][:200]}" if said else "."
        raise NotTold(f"The command {command[0]} of farm.toml ended with code {done.returncode}{why}")


def _doubt(inbox: Path, lake: Lake) -> str | None:
    """Why the farm.toml that holds can't be trusted with a command; None where it can."""
    ledger = lake.ledger()
    farms = ledger.filter((ledger["kind"] == "farm") & ledger["stated"].is_not_null())
    names = farms.sort("taken_in_at", "name")["name"].to_list()
    path = inbox / names[-1] if names else inbox / "farm.toml"
    try:
        state = path.lstat()
        same = path.read_text(encoding="utf-8-sig") == lake.farm_text()
    except (OSError, UnicodeDecodeError):
        return f"{path} is not there as it was taken in; keep it in the inbox."
    if not stat.S_ISREG(state.st_mode) or not same:
        return f"{path} is another file than was taken in."
    if hasattr(os, "geteuid") and state.st_uid not in (os.geteuid(), 0):
        return f"{path} belongs to another user; make it your own."
    if state.st_mode & stat.S_IWOTH:
        return f"everybody may write to {path}; forbid it with: chmod o-w {path}"
    return None


def _post(address: str, summary: bytes) -> None:
    import urllib.error
    import urllib.request

    request = urllib.request.Request(address, summary, {"Content-Type": "application/json"}, method="POST")
    try:
        with urllib.request.urlopen(request, timeout=LONGEST_ANSWER_S):
            pass
    except urllib.error.HTTPError as error:
        kind = NotYet if error.code >= 500 else NotTold
        raise kind(
            f"The webhook of farm.toml answered {error.code}; see whether its address is right."
        ) from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "reason", error)
        raise NotYet(f"The webhook of farm.toml could not be reached ({reason}).") from None
