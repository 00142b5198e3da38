"""Text for a terminal: names and values from files must not move its cursor, retitle or command it."""

from __future__ import annotations

import json
import sys
import unicodedata
from typing import Any

# Control and format characters, lone surrogates, line and paragraph separators of Unicode.
_ACTED_ON = frozenset({"Cc", "Cf", "Cs", "Zl", "Zp"})


def visible(text: str) -> str:
    """``text`` with every character that a terminal would act on as its code: ``\\x1b``."""
    if text.isascii() and text.isprintable():
        return text
    return "".join(
        one.encode("unicode_escape").decode() if unicodedata.category(one) in _ACTED_ON else one
        for one in text
    )


def say(sentence: str) -> None:
    """A sentence for the log: standard error, so that standard output stays for results."""
    print(visible(sentence), file=sys.stderr, flush=True)


def say_traceback(error: BaseException | None) -> None:
    """Where an error came from, on standard error."""
    import traceback

    for lines in traceback.format_exception(error):
        for line in lines.rstrip().split("\n"):
            say(line)


def json_text(value: Any, **how: Any) -> str:
    """``value`` as JSON in which every such character is escaped; it means the same to a program."""
    text = json.dumps(value, ensure_ascii=False, default=str, **how)
    if text.isascii() and text.isprintable():
        return text
    return "".join(json.dumps(one)[1:-1] if unicodedata.category(one) in _ACTED_ON else one for one in text)
