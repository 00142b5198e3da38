"""The text of a line before its words are looked at: signs, numbers, sentences."""

from __future__ import annotations

import re
from collections.abc import Callable

_TIME = re.compile(
    r"^\s*(\d{1,2})(?::(\d{2})(?::(\d{2}))?|h(\d{2})|\.(\d{2})(?=\s*(?:Uhr|kl)))\s*(Uhr|h|am|pm)?\s*[-–:]?\s+",
    re.I,
)
# A full stop ends a sentence, unless the word before it is shortened: "crivello sup. 14".
_GOES_ON = re.compile(r"\s+(?:[\d+=→-]|[^\W\d_]{1,14}(?:[.\s]|$))")
_SENTENCES = re.compile(r"\.(?=\s|$)")


def time_of_day(text: str) -> str | None:
    """The time of day with which a line begins, as hours, minutes and seconds; None where it begins otherwise."""
    found = _TIME.match(text)
    if found is None:
        return None
    hour = int(found[1])
    if (half := (found[6] or "").lower()) in ("am", "pm"):
        hour = hour % 12 + 12 * (half == "pm")
    return f"{hour:02d}:{found[2] or found[4] or found[5]}:{found[3] or '00'}"


def tidied(text: str) -> str:
    """``text`` without the time of day that it begins with, its signs and numbers written one way: "1.050" is 1050,
    "fan+50" and "fan + 50" are "fan +50".
    """
    text = _TIME.sub("", text)
    text = re.sub(r"(?<![^\s(:])[−–](?=\d)", "-", text)
    text = text.replace("⇒", "→").replace("➔", "→").replace("»", "→").replace("−", "-")
    text = re.sub(r"(?<![\d.,])([12])[.,](\d{3})(?![\d.,]\d)", r"\1\2", text)
    text = re.sub(r"(?<![\d.,])([12])[ \u00a0\u202f](\d{3})(?!\d)", r"\1\2", text)
    text = re.sub(r"(?i)\b([jldmtsnc]|qu|dell|all|sull|nell|dall)['’](?=\w)", r"\1 ", text)
    text = re.sub(r"(?<=[^\W\d_])([+-]\d)", r" \1", text)
    text = re.sub(r"(?<=[^\W\d_])\s+\+\s+(?=\d)", " +", text)
    text = re.sub(r"(?<=[^\W\d_])(?=\d)", " ", text)
    return re.sub(r"\.(?=/)", "", text)


def sentences_of(text: str, is_unit: Callable[[str], bool], is_whole: Callable[[str], bool]) -> list[str]:
    """Parts between full stops; one after a word before any number, or after a unit, only shortens the word."""
    cuts = [0]
    for stop in _SENTENCES.finditer(text):
        begun = text[cuts[-1] : stop.start()]
        word = re.search(r"[^\W\d_]+$", begun)
        shortens = _GOES_ON.match(text[stop.end() :]) and word is not None and not is_whole(word[0])
        if not shortens or (re.search(r"\d", begun) and word is not None and not is_unit(word[0])):
            cuts.append(stop.end())
    return [text[begin:end].rstrip(". ") for begin, end in zip(cuts, [*cuts[1:], None], strict=True)]
