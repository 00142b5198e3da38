"""The cautions that stand wherever a page or a paper prompts someone to act."""

from __future__ import annotations

from collections.abc import Iterable

from chaffinch.schemas.declarations import settings

CAUTIONS_TITLE = "Before anyone touches the machine"
FIRST_CAUTIONS = (
    "Stop the engine, take the key, and wait until everything stands still.",
    "Lock the raised header with its safety stops before going beneath it.",
    "Keep clear of the discharge and of the machine's path while pans are placed and dropped.",
    "Watch for fire in dry residue.",
)
LAST_CAUTION = "Follow the maker's manual, local rules and a qualified technician."


def own_cautions(names: Iterable[str]) -> list[str]:
    """The catalogue's cautions for these settings beyond the usual ones, each sentence once."""
    texts = (settings()[name].caution for name in names if name in settings())
    return list(dict.fromkeys(text for text in texts if text and text not in FIRST_CAUTIONS))
