"""A line in parts that each say one thing: at commas and stops, at "and", and where another setting is named."""

from __future__ import annotations

import re

from chaffinch.pipelines.ingest.notes.line_text import sentences_of
from chaffinch.pipelines.ingest.notes.line_words import (
    name_at,
    role_at,
    shortened_name_at,
    tokens_of,
    unit_after,
)
from chaffinch.schemas.units import unit_named
from chaffinch.schemas.words.trade_words import notebook_words

_CLAUSES = re.compile(r"[;\n!|]+|,(?!\d)|(?<=\D),|\s/\s")


def parts_of(text: str, language: str) -> list[str]:
    """The parts of a line. What stands in brackets is a part of its own, or goes on where it is a number."""
    text = re.sub(r"\(([^)]*)\)?", lambda m: _in_brackets(m[1], language), text)
    conjunctions = "|".join(re.escape(word) for word in ("&", "+ ", *sorted(notebook_words(language, "and"))))
    return [
        part
        for whole in _CLAUSES.split(text)
        for sentence in sentences_of(
            whole, lambda word: _is_a_unit(word, language), lambda word: _about_something_else(word, language)
        )
        for told in _after_a_colon(sentence, language)
        for joined in re.split(rf"(?i)\s(?:{conjunctions})\s", told)
        for part in _by_setting(joined, language)
    ]


def _in_brackets(inside: str, language: str) -> str:
    tokens = tokens_of(inside)
    goes_on = bool(tokens) and (
        (tokens[0].is_number and tokens[0].text[0] in "+-") or "from" in role_at(tokens, 0, language)[0]
    )
    return f" {inside} " if goes_on else f"; {inside}; "


def _after_a_colon(text: str, language: str) -> list[str]:
    """What stands before a colon, where it says when or why, and what comes after: "change to barley: drum 750"."""
    head, colon, rest = text.partition(":")
    tokens = tokens_of(head)
    roles = {role for place in range(len(tokens)) for role in role_at(tokens, place, language)[0]}
    named = any(name_at(tokens, place, language)[0] for place in range(len(tokens)))
    if (
        colon
        and rest
        and not named
        and roles & {"other", "because"}
        and not roles & {"unsure", "state", "or", "not"}
    ):
        return [head, rest]
    return [text]


def _by_setting(text: str, language: str) -> list[str]:
    """A part of a line parted where another setting is named after a number: "top 14 bottom 8"."""
    tokens = tokens_of(text)
    starts, number, place = [0], False, 0
    named: tuple[str, ...] = ()
    while place < len(tokens):
        name, taken = name_at(tokens, place, language)
        if not name and tokens[place].text.isalpha() and number:
            other = role_at(tokens, place, language)[0]
            name, taken = ((), 1) if other else shortened_name_at(tokens, place, language)
        begun = text[starts[-1] : tokens[place].start]
        follows = any(
            tokens[before].is_number and before + 1 + unit_after(tokens, before, text)[1] == place
            for before in range(max(place - 4, 0), place)
        )
        more = name != named or any(token.is_number for token in tokens[place:])
        if name and number and more and (named or (follows and _about_something_else(begun, language))):
            starts.append(tokens[place].start)
            number = False
        named, number = name or named, number or tokens[place].is_number
        place += max(taken, 1)
    return [text[begin:end] for begin, end in zip(starts, [*starts[1:], None], strict=True)]


def _about_something_else(text: str, language: str) -> bool:
    tokens = tokens_of(text)
    return any("other" in role_at(tokens, place, language)[0] for place in range(len(tokens)))


def _is_a_unit(word: str, language: str) -> bool:
    token = tokens_of(word)
    return unit_named(word) is not None or (bool(token) and "turns" in role_at(token, 0, language)[0])
