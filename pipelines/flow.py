"""The nightly run as a Prefect flow: the stages of ``nightly``, with retries and a record of each run.

Nothing but wiring. A failure that may pass by itself (storage that is busy or away) is tried again with
growing pauses; a wrong call or a wrong farm.toml is not, since waiting mends neither.

Prefect is imported inside the functions and told beforehand to report nothing to anybody; its records go to
a folder of its own, so that a Prefect that somebody uses for other things stays as it is.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from chaffinch.pipelines import nightly
from chaffinch.pipelines.errors import CallError, ChaffinchError

if TYPE_CHECKING:
    from prefect.flows import Flow

RETRY_DELAYS_S = (10, 60, 300)
_PREFECT_SETTINGS = {
    "DO_NOT_TRACK": "1",
    "PREFECT_SERVER_ANALYTICS_ENABLED": "false",
    "PREFECT_CLOUD_ENABLE_ORCHESTRATION_TELEMETRY": "false",
    "PREFECT_TELEMETRY_ENABLE_RESOURCE_METRICS": "false",
    "PREFECT_CLI_PROMPT": "false",
    "PREFECT_SERVER_UI_ENABLED": "false",
    # On a busy machine Prefect's own server takes longer than the 20 s it is given.
    "PREFECT_SERVER_EPHEMERAL_STARTUP_TIMEOUT_SECONDS": "180",
}


def run_as_flow(inbox: Path, lake: str, site: Path, say: Callable[[str], None]) -> nightly.NightSummary:
    """One night through Prefect. Raises what ``nightly.run_nightly`` raises."""
    _prepare()
    say("Starting the flow; Prefect needs some seconds for its own server.")
    night: nightly.NightSummary = nightly_flow()(str(inbox), lake, str(site))
    return night


def nightly_flow() -> Flow[Any, nightly.NightSummary]:
    """The flow ``nightly``, made of the three stages as tasks."""
    _prepare()
    from chaffinch.pipelines.lake import Lake
    from prefect import flow, get_run_logger, task
    from prefect.cache_policies import NO_CACHE

    stage = {
        "retries": len(RETRY_DELAYS_S),
        "retry_delay_seconds": list(RETRY_DELAYS_S),
        "retry_condition_fn": _may_pass,
        "cache_policy": NO_CACHE,
        "persist_result": False,
    }
    take_in_task = task(nightly.take_in_inbox, name="take in the inbox", **stage)  # type: ignore[call-overload]
    refresh_task = task(nightly.refresh, name="refresh effects", **stage)  # type: ignore[call-overload]
    pages_task = task(nightly.write_pages, name="write pages", **stage)  # type: ignore[call-overload]

    @flow(name="nightly", persist_result=False, validate_parameters=False)
    def night(inbox: str, lake: str, site: str) -> nightly.NightSummary:
        say = get_run_logger().info
        opened = Lake.open(lake)
        ingest = take_in_task(Path(inbox), opened, say)
        failed: list[str] = []
        estimate, pages = None, {}
        try:
            estimate = refresh_task(opened, say=say)
        except Exception as error:  # noqa: BLE001  the other stages go on
            failed.append(nightly.failure("Effects were not refreshed", "estimate", error))
        try:
            pages = pages_task(opened, Path(site), say)
        except Exception as error:  # noqa: BLE001  the other stages go on
            failed.append(nightly.failure("Pages were not written", "pages", error))
        summary = nightly.NightSummary(ingest, estimate, pages, tuple(failed))
        for sentence in summary.sentences():
            say(sentence)
        return summary

    return night


def _may_pass(task: Any, run: Any, state: Any) -> bool:
    """Whether trying again may help: not where the call or a declaration is wrong."""
    from prefect.states import aget_state_exception
    from prefect.utilities.asyncutils import run_coro_as_sync

    error: BaseException | None = run_coro_as_sync(aget_state_exception(state))
    return not (isinstance(error, ChaffinchError) and error.exit_code == CallError.exit_code)


def _prepare() -> None:
    """Tell Prefect, before it is imported, to report nothing and to keep its records in its own place."""
    for name, value in _PREFECT_SETTINGS.items():
        os.environ[name] = value
    os.environ.setdefault("PREFECT_LOGGING_LEVEL", "WARNING")
    if "PREFECT_HOME" not in os.environ:
        state = Path(os.environ.get("XDG_STATE_HOME") or Path.home() / ".local" / "state")
        os.environ["PREFECT_HOME"] = str(state / "chaffinch" / "prefect")
    # A machine's own Prefect server is not ours to write to.
    os.environ.pop("PREFECT_API_URL", None)
