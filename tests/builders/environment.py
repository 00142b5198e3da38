"""The environment variables that tests read. ``DEVELOPERS.md`` has them in a table."""

from __future__ import annotations

import os

DEFAULTS = {
    "CHAFFINCH_SHARED": "../shared",
    "CHAFFINCH_CHROMIUM": "chromium",
    "CHAFFINCH_FUZZ_SECONDS": "60",
    "CHAFFINCH_DAMAGED_COPIES": "60",
    "CHAFFINCH_KILL_ROUNDS": "6",
    "CHAFFINCH_KILLS": "1",
    "CHAFFINCH_DOUBLE_RUNS": "1",
    "CHAFFINCH_NIGHTS": "5",
    "CHAFFINCH_FIRST_SEED": "0",
    "CHAFFINCH_SMALL_FILES": "1000",
    "CHAFFINCH_LINE_MB": "200",
}


def text(name: str) -> str:
    """The value of a variable of ``DEFAULTS``; one that is set to nothing has its default."""
    return os.environ.get(name) or DEFAULTS[name]


def number(name: str) -> int:
    """The same as a whole number."""
    return int(text(name))
