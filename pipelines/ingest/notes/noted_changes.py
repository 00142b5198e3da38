"""What a line of a notebook says was changed: "fan up 50", "Korb 2 enger", "criba superior a 14".

The words are declared: names of settings in ``settings.toml`` and ``trade_words.csv``, what other words do in
``notebook_words.csv``, by language. A line is read in each language separately; it counts only where the languages
that know most of its words agree. What is left over is asked about: nothing is guessed.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

from chaffinch.pipelines.ingest.notes.amounts import Doubt, NotedChange
from chaffinch.pipelines.ingest.notes.clause_changes import NO_SETTING, UNSURE, Context, change_of
from chaffinch.pipelines.ingest.notes.clauses import Clause, clauses_of
from chaffinch.pipelines.ingest.notes.line_text import tidied
from chaffinch.pipelines.ingest.notes.line_words import NUMBER, known_best, role_at, tokens_of
from chaffinch.pipelines.ingest.text.number_parsing import plain_number
from chaffinch.schemas.declarations import settings
from chaffinch.schemas.words.trade_words import LANGUAGES

LONGEST_LINE = 400
_DITTO = re.compile(r"^\s*(?:[\"”“″]|''|,,|〃)\s*")


@dataclass(frozen=True, slots=True)
class Understood:
    """``changes`` of one line, or a question where it was not understood; neither where it is a remark."""

    changes: tuple[NotedChange, ...]
    question: str = ""


@dataclass(frozen=True, slots=True)
class _Reading:
    """A line in one language. guessed : words of its changes that are not known or shortened. strange : all of its
    words that are not known. firm : whether the doubt is about words that are all known.
    """

    changes: tuple[NotedChange, ...]
    doubt: str
    guessed: int
    strange: int
    firm: bool


def read_line(text: str, context: Context) -> Understood:
    """What one line says after the lines of ``context``."""
    if len(text) > LONGEST_LINE:
        return Understood((), f"it is longer than {LONGEST_LINE} characters")
    if "?" in text:
        return Understood((), UNSURE)
    line = tidied(text)
    context = replace(context, chaffer=context.chaffer or "chaffer" in text.casefold())
    readings = [_in_language(line, language, context) for language in known_best(line, LANGUAGES)]
    with_changes = [one for one in readings if one.changes and not one.doubt]
    doubts = sorted(
        (one for one in readings if one.doubt), key=lambda one: (one.doubt == NO_SETTING, one.strange)
    )
    if with_changes:
        fewest = min(one.guessed for one in with_changes)
        chosen = [one for one in with_changes if one.guessed == fewest]
        best = list(dict.fromkeys(one.changes for one in chosen))
        strange = min(one.strange for one in chosen)
        better_known = [one for one in doubts if one.firm and one.strange < strange + (one.doubt == UNSURE)]
        if better_known:
            return Understood((), better_known[0].doubt)
        if len(best) == 1:
            return Understood(best[0])
        return Understood((), f"it can be read in several ways: {' or '.join(map(_shown, best))}")
    remarks = [one.strange for one in readings if not one.doubt]
    if remarks and min(remarks) <= min((one.strange for one in doubts), default=min(remarks)):
        return Understood(())
    return Understood((), doubts[0].doubt if doubts else NO_SETTING)


def _shown(changes: Sequence[NotedChange]) -> str:
    return ", ".join(
        f"{one.setting} {'by ' + plain_number(one.change) if one.change is not None else 'to ' + str(one.to_value)}"
        for one in changes
    )


def _in_language(text: str, language: str, context: Context) -> _Reading:
    found: list[NotedChange] = []
    values = dict(context.known)
    guessed = strange = 0
    doubt, firm = "", False
    said_again: list[tuple[tuple[str, ...], str]] = []
    for clause in clauses_of(_without_ditto(text, language, context), language):
        strange += len(clause.unknown)
        if clause.is_remark:
            continue
        guessed += len(clause.unknown) + clause.shortened
        try:
            change = change_of(clause, replace(context, known=values))
        except Doubt as why:
            if (
                not clause.numbers
                and len(clause.candidates) == 1
                and not clause.unknown
                and clause.directions()
            ):
                # "More air, fan 1100": the other clause says it all.
                said_again.append((clause.candidates, str(why)))
                continue
            doubt = doubt or _named(clause, str(why))
            firm = firm or not (clause.unknown or str(why) == NO_SETTING)
            continue
        found.append(change)
        if change.to_value is not None and NUMBER.fullmatch(change.to_value):
            values[change.setting] = float(change.to_value)
    left = [why for (name,), why in said_again if name not in {one.setting for one in found}]
    doubt, firm = (doubt, firm) if doubt or not left else (left[0], True)
    if len({one.setting for one in found}) < len(found):
        doubt = doubt or "it changes one setting twice"
    return _Reading(tuple(found), doubt, guessed, strange, firm)


def _named(clause: Clause, why: str) -> str:
    if why == NO_SETTING and clause.unknown:
        return f"'{clause.unknown[0][1]}' is not known here"
    return why


def _without_ditto(text: str, language: str, context: Context) -> str:
    """``text`` with the setting of the line before where it begins with a ditto mark or its word."""
    mark = _DITTO.match(text)
    tokens = tokens_of(text)
    end = mark.end() if mark else 0
    if not mark and tokens:
        role, taken = role_at(tokens, 0, language)
        end = tokens[taken - 1].end if "ditto" in role else 0
    if end and len(context.last) == 1:
        return f"{settings()[context.last[0]].label} {text[end:]}"
    return text
