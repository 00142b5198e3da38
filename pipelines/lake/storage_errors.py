"""What the engines say where storage fails, made short enough to be read."""

from __future__ import annotations

import re

LONGEST = 300
# Colours, and the arrows by which causes are nested.
_ORNAMENT = re.compile(r"\x1b\[[0-9;]*m|\u21b3")


def in_one_line(error: BaseException) -> str:
    """The first line of what ``error`` says, and the last where causes are listed one below the other."""
    text = str(error)
    lines = [line for raw in text.splitlines() if (line := _ORNAMENT.sub("", raw).strip().rstrip(".:"))]
    if not lines:
        return type(error).__name__
    line = f"{lines[0]}: {lines[-1]}" if "\u21b3" in text and len(lines) > 1 else lines[0]
    # Answers of a server come with the whole page.
    return line.partition(": <?xml")[0][:LONGEST]
