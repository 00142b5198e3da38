"""The words of a line: names of settings, what every other word does, numbers with their units."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache, lru_cache
from itertools import permutations
from types import MappingProxyType

from chaffinch.schemas.declarations import letters_and_digits, settings
from chaffinch.schemas.units import unit_named
from chaffinch.schemas.words.trade_words import (
    any_order,
    folded,
    notebook_names,
    notebook_words,
    notebook_words_written,
    setting_words,
    trade_words,
)

Names = tuple[str, ...]
"""Settings that a name may mean."""

NUMBER = re.compile(r"[+-]?\d+(?:[.,]\d+)?")
_TOKEN = re.compile(
    r"(?<![\w.,])[+-]?\d+(?:[.,]\d+)?(?![\d])|[-–=]*>+|→|=|[^\W\d_]+(?:['’][^\W\d_]+)*|[%°\"″?/&:+-]"
)
_ARROW = re.compile(r"[-–=]*>+|→|=")
_LONGEST_NAME, _LONGEST_ROLE = 6, 3
# Shorter beginnings and shorter words are too often something else.
_SHORTEST_BEGINNING, _SHORTEST_STEM, _SHORTEST_MISSPELT = 3, 4, 6
# Units that are words or letters of a sentence as well.
_WORDS_NOT_UNITS = frozenset(
    ("in", "m", "t", "g", "s", "a", "h", "c", "f", "ha", "to", "min", "turn", "turns", "rev", "revs")
)
ROLES = (
    "to", "from", "by", "up", "down", "faster", "slower", "more", "less", "increase", "decrease", "open", "close",
    "unsure", "step", "turns", "filler", "because", "back", "high", "low", "state",
    "unchanged", "other", "ditto", "or", "not", "after",
)  # fmt: skip
# The same few words come again and again, in twelve languages each time.
compared = lru_cache(maxsize=20_000)(letters_and_digits)


@dataclass(frozen=True, slots=True)
class Token:
    """A word, a number or a sign, and where it stands in its text. plain : its letters as they compare."""

    text: str
    start: int
    end: int
    plain: str
    is_number: bool


def tokens_of(text: str) -> tuple[Token, ...]:
    """Words, numbers and signs of ``text``."""
    return tuple(
        Token(m[0], m.start(), m.end(), compared(m[0]), NUMBER.fullmatch(m[0]) is not None)
        for m in _TOKEN.finditer(text)
    )


def known_best(text: str, languages: Sequence[str]) -> list[str]:
    """Those of ``languages`` that know most words of ``text``, or all but one of these."""
    words = [token.plain for token in tokens_of(text) if token.text[0].isalpha()]
    unknown = {language: sum(not _knows(word, language) for word in words) for language in languages}
    fewest = min(unknown.values())
    return [language for language in languages if unknown[language] <= fewest + 1]


@lru_cache(maxsize=100_000)
def _knows(word: str, language: str) -> bool:
    return (
        word in _every_word(language)
        or _stem(word, language) in _every_stem(language)
        or bool(_roles_by_stem(word, language))
        or bool(_beginning_of((word,), language))
        or bool(_misspelt(word, language))
        or unit_named(word) is not None
    )


@cache
def _every_word(language: str) -> frozenset[str]:
    names = (name for name, _ in (*_names_as_written(language), *_names_as_written("en")))
    roles = (word for role in ROLES for word in notebook_words_written(language, role))
    return frozenset(
        compared(word)
        for text in (*names, *roles)
        for word in re.findall(r"[^\W\d_]+(?:['’][^\W\d_]+)*", text)
    )


@cache
def _every_stem(language: str) -> frozenset[str]:
    return frozenset(_stem(word, language) for word in _every_word(language))


def name_at(tokens: Sequence[Token], place: int, language: str) -> tuple[Names, int]:
    """The settings that the words from ``place`` on name, written in full or with another ending; how many words."""
    exact, stemmed = _whole_names(language), _stemmed_names(language)
    ahead = range(place, min(place + _LONGEST_NAME, len(tokens)))
    reach = next((at for at in ahead if tokens[at].is_number), ahead.stop) - place
    for length in range(reach, 0, -1):
        if length > 1 and not folded(tokens[place + length - 1].text, True):
            continue
        part = [token.text for token in tokens[place : place + length]]
        whole = " ".join(part)
        if found := exact.get(folded(whole)) or (length > 1 and exact.get(any_order(whole))):
            return found, length
        if found := stemmed.get("".join(_stem(folded(text, True), language) for text in part)):
            return found, length
    return (), 0


def shortened_name_at(tokens: Sequence[Token], place: int, language: str) -> tuple[Names, int]:
    """The setting of which the words from ``place`` on are the beginning, or a misspelt name."""
    for length in range(min(2, len(tokens) - place), 0, -1):
        part = tuple(token.plain for token in tokens[place : place + length])
        if min(map(len, part)) < _SHORTEST_BEGINNING:
            continue
        if found := _beginning_of(part, language):
            return found, length
    return _misspelt(tokens[place].plain, language), 1


def role_at(tokens: Sequence[Token], place: int, language: str) -> tuple[frozenset[str], int]:
    """What the words from ``place`` on do in a sentence, and how many they are; nothing where they are not known."""
    text = tokens[place].text
    if _ARROW.fullmatch(text):
        return frozenset(("to",)), 1
    if text == ":":
        return frozenset(("filler", "apart")), 1
    if text in ("-", "–", "&", '"'):
        return frozenset(("filler",)), 1
    if text == "?":
        return frozenset(("unsure",)), 1
    for length in range(min(_LONGEST_ROLE, len(tokens) - place), 0, -1):
        if not tokens[place + length - 1].text[0].isalpha():
            continue
        part = "".join([token.plain for token in tokens[place : place + length]])
        if roles := _roles(language).get(part):
            return roles, length
    return _roles_by_stem(tokens[place].plain, language), 1


def unit_after(tokens: Sequence[Token], place: int, clause: str) -> tuple[str | None, int]:
    """The unit after a number and how many words it takes; "in" counts as a word, not as inches."""
    for length in (3, 2, 1):
        part = tokens[place + 1 : place + 1 + length]
        if len(part) < length:
            continue
        text = clause[part[0].start : part[-1].end].replace(" ", "")
        if text.casefold() not in _WORDS_NOT_UNITS and unit_named(text):
            return text, length
    return None, 0


@cache
def _whole_names(language: str) -> Mapping[str, Names]:
    """Folded name -> settings, of headers and of notebooks."""
    found = dict(setting_words(language))
    for name in settings():
        for word in notebook_names(language, name):
            found.setdefault(folded(word), (name,))
    return MappingProxyType(found)


@cache
def _stemmed_names(language: str) -> Mapping[str, Names]:
    """Names without the endings of their words, where no two settings share one."""
    found: dict[str, set[Names]] = {}
    for name, meant in _names_as_written(language):
        words = [folded(word, True) for word in re.findall(r"[^\W\d_]+", name)]
        found.setdefault("".join(_stem(word, language) for word in words), set()).add(meant)
    return {stem: next(iter(meant)) for stem, meant in found.items() if len(meant) == 1 and stem}


@cache
def _names_as_written(language: str) -> tuple[tuple[str, Names], ...]:
    """Names of settings in ``language``, with what they mean; also what people shorten two to."""
    found: list[tuple[str, Names]] = []
    for setting in settings().values():
        names = [
            *trade_words().get(setting.name, {}).get(language, ()),
            *notebook_names(language, setting.name),
        ]
        if language == "en":
            names += [setting.label, *setting.synonyms]
        found += [(name, (setting.name,)) for name in names]
    for target, by_language in trade_words().items():
        if "|" in target:
            found += [(word, tuple(target.split("|"))) for word in by_language.get(language, ())]
    return tuple(found)


@lru_cache(maxsize=50_000)
def _stem(word: str, language: str) -> str:
    """``word`` without the endings of its language, as far as four letters are left."""
    for ending in _endings(language):
        if word.endswith(ending) and len(word) - len(ending) >= _SHORTEST_STEM:
            return _stem(word[: -len(ending)], language)
    return word


@cache
def _endings(language: str) -> tuple[str, ...]:
    return tuple(sorted(notebook_words(language, "ending"), key=len, reverse=True))


@cache
def _beginnings(language: str) -> tuple[tuple[tuple[str, ...], Names], ...]:
    """Names of settings with a number, by word; of the header people write too many other things."""
    found = []
    for name, meant in _names_as_written(language):
        words = tuple(compared(word) for word in re.findall(r"[^\W\d_]+", name) if folded(word, True))
        kinds = {(settings()[one].kind, settings()[one].stage) for one in meant}
        if words and kinds <= {("number", stage) for stage in ("threshing", "separation", "cleaning")}:
            found += [(order, meant) for order in (permutations(words) if len(words) == 2 else (words,))]
    return tuple(found)


@lru_cache(maxsize=50_000)
def _beginning_of(part: tuple[str, ...], language: str) -> Names:
    meant = {
        names
        for words, names in _beginnings(language)
        if len(words) == len(part) and all(w.startswith(p) for w, p in zip(words, part, strict=True))
    }
    return next(iter(meant)) if len(meant) == 1 else ()


@lru_cache(maxsize=50_000)
def _misspelt(word: str, language: str) -> Names:
    if len(word) < _SHORTEST_MISSPELT:
        return ()
    meant = {
        names
        for words, names in _beginnings(language)
        if len(words) == 1
        and len(words[0]) >= _SHORTEST_MISSPELT
        and words[0][0] == word[0]
        and _one_off(word, words[0])
    }
    return next(iter(meant)) if len(meant) == 1 else ()


def _one_off(one: str, other: str) -> bool:
    """Whether a letter is missing, added, wrong, or two neighbours are swapped (Damerau's four slips)."""
    if abs(len(one) - len(other)) > 1 or one == other:
        return False
    start = next(
        (i for i, (a, b) in enumerate(zip(one, other, strict=False)) if a != b), min(len(one), len(other))
    )
    a, b = one[start:], other[start:]
    return a[1:] == b[1:] or a[1:] == b or a == b[1:] or (a[:2] == b[1::-1] and a[2:] == b[2:])


@cache
def _roles(language: str) -> Mapping[str, frozenset[str]]:
    """Word -> what it may do in a line of ``language``."""
    found: dict[str, frozenset[str]] = {}
    for role in ROLES:
        for word in notebook_words(language, role):
            found[word] = found.get(word, frozenset()) | {role}
    return MappingProxyType(found)


@lru_cache(maxsize=50_000)
def _roles_by_stem(word: str, language: str) -> frozenset[str]:
    fitting = [
        (len(stem), role)
        for role in ROLES
        for stem in notebook_words(language, role, stems=True)
        if word.startswith(stem)
    ]
    longest = max((length for length, _ in fitting), default=0)
    return frozenset(role for length, role in fitting if length == longest)
