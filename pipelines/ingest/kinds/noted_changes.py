"""What a line of a notebook says was changed: "fan up 50", "Korb 2 enger", "criba superior a 14".

The words are declared: names of settings in ``settings.toml`` and ``trade_words.csv``, directions and small words
in ``notebook_words.csv``, by language. A line is read in each language separately; it counts only where all
languages in which every word is known agree. What is left over is asked about: nothing is guessed.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache, lru_cache
from types import MappingProxyType

from chaffinch.pipelines.ingest.text.number_parsing import plain_number
from chaffinch.schemas.declarations import Setting, letters_and_digits, settings
from chaffinch.schemas.units import UnitError, conversion, unit_named
from chaffinch.schemas.words.trade_words import LANGUAGES, any_order, folded, notebook_words, setting_words

LONGEST_NAME = 6
NO_SETTING = "it names no setting"
SIEVES, SIEVE = ("upper_sieve_opening", "lower_sieve_opening"), ("lower_sieve_opening",)
LONGEST_LINE = 400
# A bare number below so many usual steps is no plausible value, and from there on no plausible change.
STEPS_OF_A_VALUE = 4
MOST_STEPS = 8
_NUMBER = re.compile(r"[+-]?\d+(?:[.,]\d+)?")
_TOKEN = re.compile(
    r"(?<![\w.,])[+-]?\d+(?:[.,]\d+)?(?![\d])|->|=>|→|=|[^\W\d_]+(?:['’][^\W\d_]+)*|[%°\"″?/&+-]"
)
# The same few words come again and again, in twelve languages each time.
_compared = lru_cache(maxsize=20_000)(letters_and_digits)
_CLAUSES = re.compile(r"[;\n!]+|,(?!\d)|\.(?!\d)|(?<=\D),")
_UP = {
    "rpm": {"up", "faster", "more", "increase"},
    "height": {"up", "more", "increase"},
    "gap": {"open", "increase"},
}
_DOWN = {"rpm": {"down", "slower", "less", "decrease"}, "height": {"down", "less", "decrease"}}
_DOWN["gap"] = {"close", "decrease"}
# Units that are words or letters of a sentence as well.
_WORDS_NOT_UNITS = frozenset(("in", "m", "t", "g", "s", "a", "h", "c", "f", "ha", "to", "min"))
DIRECTIONS = frozenset().union(*_UP.values(), *_DOWN.values())


@dataclass(frozen=True, slots=True)
class NotedChange:
    """One change: to a value, by an amount (``change``, its values not known), or to a position.

    Numbers in the catalogue's unit.
    """

    setting: str
    to_value: str | None = None
    from_value: str | None = None
    change: float | None = None


@dataclass(frozen=True, slots=True)
class Understood:
    """``changes`` of one line, or a question where it was not understood."""

    changes: tuple[NotedChange, ...]
    question: str = ""


@dataclass(frozen=True, slots=True)
class Context:
    """What the lines before say. known : value of each numeric setting. used : every value that it had.

    chaffer : whether the notebook calls the upper sieve chaffer, so that "sieve" alone is the lower one.
    """

    known: Mapping[str, float] = field(default_factory=dict)
    used: Mapping[str, frozenset[float]] = field(default_factory=dict)
    chaffer: bool = False


def read_line(text: str, context: Context) -> Understood:
    """What one line says after the lines of ``context``."""
    if len(text) > LONGEST_LINE:
        return Understood((), f"it is longer than {LONGEST_LINE} characters")
    text = re.sub(r"\([^)]*\)", " ", text)
    readings: list[tuple[NotedChange, ...]] = []
    doubts: list[tuple[int, str]] = []
    for language in LANGUAGES:
        found, doubt, unknown = _in_language(text, language, context)
        if doubt:
            doubts.append((unknown, doubt))
        elif found not in readings:
            readings.append(found)
    if len(readings) == 1 and readings[0]:
        return Understood(readings[0])
    if len(readings) > 1:
        return Understood((), f"it can be read in several ways: {' or '.join(map(_shown, readings))}")
    doubts.sort(key=lambda one: (one[1] == NO_SETTING, one[0]))
    return Understood((), doubts[0][1] if doubts else NO_SETTING)


def _shown(changes: Sequence[NotedChange]) -> str:
    return ", ".join(
        f"{one.setting} {'by ' + plain_number(one.change) if one.change is not None else 'to ' + str(one.to_value)}"
        for one in changes
    )


def _in_language(text: str, language: str, context: Context) -> tuple[tuple[NotedChange, ...], str, int]:
    """The changes of a line, a doubt that keeps it from being read, and how many words are unknown."""
    found: list[NotedChange] = []
    values = dict(context.known)
    unknown: list[str] = []
    doubt = ""
    for clause in (part for one in _clauses(text, language) for part in _by_setting(one, language)):
        words = _Words.of(clause, language, context.chaffer)
        if words.is_remark:
            continue
        unknown += words.unknown
        try:
            change = _change(words, replace(context, known=values))
        except _Doubt as why:
            doubt = doubt or str(why)
            continue
        found.append(change)
        if change.to_value is not None and _NUMBER.fullmatch(change.to_value):
            values[change.setting] = float(change.to_value)
    if unknown:
        doubt = f"'{unknown[0]}' is not known here"
    if len({one.setting for one in found}) < len(found):
        doubt = doubt or "it changes one setting twice"
    if not found and not doubt:
        doubt = NO_SETTING
    return tuple(found), doubt, len(unknown)


def _clauses(text: str, language: str) -> list[str]:
    """Parts of a line that each say one thing; "and" parts them where a setting follows."""
    conjunctions = "|".join(re.escape(word) for word in ("&", "+ ", *_AND[language]))
    parts = [
        part for whole in _CLAUSES.split(text) for part in re.split(rf"(?i)\s(?:{conjunctions})\s", whole)
    ]
    return [part for part in parts if part.strip(" \t-–:*")]


def _by_setting(clause: str, language: str) -> list[str]:
    """A clause parted where another setting is named after the number of the one before: "top 14 bottom 8"."""
    tokens = [(m[0], m.start(), m.end()) for m in _TOKEN.finditer(clause)]
    starts, named, number, place = [0], False, False, 0
    while place < len(tokens):
        name, taken = _name_at(tokens, place, language, False)
        if name and named and number:
            starts.append(tokens[place][1])
            number = False
        named, number = named or bool(name), number or _NUMBER.fullmatch(tokens[place][0]) is not None
        place += max(taken, 1)
    return [clause[begin:end] for begin, end in zip(starts, [*starts[1:], None], strict=True)]


_AND = {
    "en": ("and", "then"), "de": ("und", "dann"), "fr": ("et", "puis"), "es": ("y", "e"), "it": ("e", "poi"),
    "pt": ("e",), "nl": ("en",), "pl": ("i", "oraz"), "da": ("og",), "sv": ("och",), "uk": ("та", "і", "й"),
    "ru": ("и",),
}  # fmt: skip


class _Doubt(Exception):
    """Why a clause is not read; part of a sentence."""


@dataclass(frozen=True, slots=True)
class _Words:
    """One clause in one language.

    candidates : settings that its names may mean. roles : of each word that is neither name nor
    number, in order, with the place in the clause. numbers : (place, value, signed, unit).
    """

    candidates: tuple[str, ...]
    roles: tuple[tuple[int, frozenset[str]], ...]
    numbers: tuple[tuple[int, float, bool, str | None], ...]
    unknown: tuple[str, ...]

    @classmethod
    def of(cls, clause: str, language: str, chaffer: bool) -> _Words:
        tokens = [(m[0], m.start(), m.end()) for m in _TOKEN.finditer(clause)]
        tokens = _before_a_reason(tokens, language)
        names, roles, numbers, unknown = [], [], [], []
        place = 0
        while place < len(tokens):
            text = tokens[place][0]
            if _NUMBER.fullmatch(text):
                unit, taken = _unit_after(tokens, place, clause)
                numbers.append((place, float(text.replace(",", ".")), text[0] in "+-", unit))
                place += 1 + taken
                continue
            name, taken = _name_at(tokens, place, language, chaffer)
            if name:
                names.append(name)
                place += taken
                continue
            role, taken = _role_at(tokens, place, language)
            if role:
                roles.append((place, role))
                place += taken
                continue
            unknown.append(text)
            place += 1
        distinct = list(dict.fromkeys(names))
        candidates = distinct[0] if len(distinct) == 1 else tuple(n for one in distinct for n in one)
        return cls(candidates, tuple(roles), tuple(numbers), tuple(unknown))

    @property
    def is_remark(self) -> bool:
        """Whether the clause says why or what else, and no change: it begins with a reason, or names no setting, no
        number and no direction. A line whose remark may take back what it says is not read at all.
        """
        if self.numbers or "unsure" in self.all_roles or "back" in self.all_roles:
            return False
        begins_with_reason = bool(self.roles) and self.roles[0][0] == 0 and "because" in self.roles[0][1]
        return begins_with_reason or (not self.candidates and not self.directions() - {"more", "less"})

    @property
    def all_roles(self) -> set[str]:
        return {role for _, roles in self.roles for role in roles}

    def directions(self) -> set[str]:
        """Directions; a word before a number that may mean "to" is not one."""
        found: set[str] = set()
        for place, roles in self.roles:
            if not (roles & {"to", "by", "from"} and self._number_follows(place)):
                found |= roles & DIRECTIONS
        return found

    def leads(self, number_place: int) -> frozenset[str]:
        """Roles of the word before a number, of ``to``, ``by`` and ``from``."""
        before = [(p, r) for p, r in self.roles if p < number_place and self._number_follows(p)]
        return before[-1][1] & {"to", "by", "from"} if before else frozenset()

    def _number_follows(self, place: int) -> bool:
        after = [p for p, *_ in self.numbers if p > place]
        between = [r for p, r in self.roles if place < p < (after[0] if after else 0)]
        return bool(after) and all(r & {"filler", "to", "by"} for r in between)


def _before_a_reason(tokens: list[tuple[str, int, int]], language: str) -> list[tuple[str, int, int]]:
    """The words up to one such as "because", unless the clause begins with it."""
    reasons = notebook_words(language, "because")
    for place in range(1, len(tokens)):
        for length in (3, 2, 1):
            if _compared("".join(t for t, *_ in tokens[place : place + length])) in reasons:
                head = tokens[:place]
                # "for" and its like also stand inside a name or before a number.
                if any(_NUMBER.fullmatch(t) for t, *_ in head) or place + length >= len(tokens):
                    return head
    return tokens


def _unit_after(tokens: list[tuple[str, int, int]], place: int, clause: str) -> tuple[str | None, int]:
    """The unit after a number and how many words it takes; "in" counts as a word, not as inches."""
    for length in (3, 2, 1):
        part = tokens[place + 1 : place + 1 + length]
        if len(part) < length:
            continue
        text = clause[part[0][1] : part[-1][2]].replace(" ", "")
        if text.casefold() not in _WORDS_NOT_UNITS and unit_named(text):
            return text, length
    return None, 0


def _name_at(
    tokens: list[tuple[str, int, int]], place: int, language: str, chaffer: bool
) -> tuple[tuple[str, ...], int]:
    words = setting_words(language)
    for length in range(min(LONGEST_NAME, len(tokens) - place), 0, -1):
        part = [text for text, *_ in tokens[place : place + length]]
        if any(_NUMBER.fullmatch(text) for text in part) or (length > 1 and not folded(part[-1], True)):
            continue
        whole = " ".join(part)
        if found := words.get(folded(whole)) or (length > 1 and words.get(any_order(whole))):
            return (SIEVE if chaffer and found == SIEVES else found), length
    return (), 0


def _role_at(tokens: list[tuple[str, int, int]], place: int, language: str) -> tuple[frozenset[str], int]:
    text = tokens[place][0]
    if text in ("->", "=>", "→", "="):
        return frozenset(("to",)), 1
    if text in ("-", "–", "&", '"'):
        return frozenset(("filler",)), 1
    if text == "?":
        return frozenset(("unsure",)), 1
    for length in range(min(3, len(tokens) - place), 0, -1):
        part = _compared("".join(t for t, *_ in tokens[place : place + length]))
        if roles := _roles_of(language).get(part):
            return roles, length
    return frozenset(), 0


_ROLES = (
    "to", "from", "by", "up", "down", "faster", "slower", "more", "less", "increase", "decrease", "open", "close",
    "unsure", "step", "turns", "filler", "because", "back", "high", "low",
)  # fmt: skip


@cache
def _roles_of(language: str) -> Mapping[str, frozenset[str]]:
    """Word -> what it may mean in a line of ``language``."""
    found: dict[str, frozenset[str]] = {}
    for role in _ROLES:
        for word in notebook_words(language, role):
            found[word] = found.get(word, frozenset()) | {role}
    return MappingProxyType(found)


def _change(words: _Words, context: Context) -> NotedChange:
    """The change that a clause says. Raises ``_Doubt``."""
    roles = words.all_roles
    if "unsure" in roles:
        raise _Doubt("it may be a plan or a guess, not a change that was made")
    if not words.candidates:
        raise _Doubt(NO_SETTING)
    candidates = words.candidates
    if len(candidates) > 1 and "back" in roles and len(words.numbers) == 1:
        # "Back to 14": the one of them that stood at 14 before.
        value = words.numbers[0][1]
        candidates = tuple(one for one in candidates if value in context.used.get(one, ())) or candidates
    if len(candidates) > 1:
        labels = " or ".join(settings()[name].label.lower() for name in candidates)
        raise _Doubt(f"it may mean the {labels}")
    setting = settings()[candidates[0]]
    if "step" in roles or ("turns" in roles and setting.unit != "rpm"):
        raise _Doubt(
            f"steps of a lever differ from machine to machine; write {setting.label.lower()} in {setting.unit}"
        )
    if setting.kind == "service":
        if words.numbers or words.directions():
            raise _Doubt(f"a service ({setting.label.lower()}) has no value")
        return NotedChange(setting.name)
    if setting.kind != "number":
        return _position(setting, words)
    if len(words.numbers) == 2:
        return _from_to(setting, words)
    if len(words.numbers) != 1:
        how_much = (
            f"by how much, or to which value ({setting.unit})?"
            if not words.numbers
            else "it holds several numbers"
        )
        raise _Doubt(f"{setting.label}: {how_much}")
    return _one_number(setting, words, context.known)


def _position(setting: Setting, words: _Words) -> NotedChange:
    if words.numbers:
        raise _Doubt(f"{setting.label} is one of {', '.join(setting.positions)}, and no number")
    ways = DIRECTIONS | {"high", "low"}
    # "auf langsam": a word that may mean "to" says no way where another one does.
    plain = {role for _, roles in words.roles if "to" not in roles for role in roles & ways}
    directions = plain or words.directions()
    meant = {
        "high": "high", "low": "low", "open": "open", "close": "closed",
        "up": "high", "down": "low", "faster": "high", "slower": "low",
    }  # fmt: skip
    found = {position for d in directions if (position := setting.position(meant.get(d, ""))) is not None}
    if len(found) != 1 or len({meant.get(d) for d in directions}) != 1:
        raise _Doubt(f"{setting.label}: is it now {' or '.join(setting.positions)}?")
    return NotedChange(setting.name, found.pop())


def _from_to(setting: Setting, words: _Words) -> NotedChange:
    (first, before, first_signed, first_unit), (second, after, second_signed, second_unit) = words.numbers
    between = [roles for place, roles in words.roles if first < place < second]
    if first_signed or second_signed or not any("to" in roles for roles in between):
        raise _Doubt(f"{setting.label}: which of {before:g} and {after:g} is the new value?")
    old, new = (
        _in_unit(setting, v, u or second_unit) for v, u in ((before, first_unit), (after, second_unit))
    )
    rising, falling = _senses(setting, words)
    if (rising and new < old) or (falling and new > old):
        raise _Doubt(f"{setting.label}: the words and the numbers go opposite ways")
    return NotedChange(setting.name, _value(setting, new), _value(setting, old))


def _one_number(setting: Setting, words: _Words, known: Mapping[str, float]) -> NotedChange:
    place, number, signed, unit = words.numbers[0]
    amount = _in_unit(setting, number, unit)
    leads = words.leads(place)
    rising, falling = _senses(setting, words)
    before = known.get(setting.name)
    step = setting.step or 0.0
    if words.directions() and not (rising or falling):
        raise _Doubt(f"{setting.label}: which way is that? Write the new value in {setting.unit}")
    if signed and not leads and setting.low is not None and setting.low >= 0:
        if falling and amount > 0:
            raise _Doubt(f"{setting.label}: the word and the sign go opposite ways")
        return _relative(setting, amount if not (rising and amount < 0) else -amount, before)
    if rising or falling:
        if leads == {"to"}:
            value = _checked(setting, amount)
            if before is not None and ((rising and value < before) or (falling and value > before)):
                raise _Doubt(f"{setting.label} stood at {before:g}: did it go to {value:g}, or by {value:g}?")
            return NotedChange(setting.name, _value(setting, value))
        if not leads & {"by", "from"} and amount >= STEPS_OF_A_VALUE * step:
            raise _Doubt(f"{setting.label}: to {amount:g} or by {amount:g} {setting.unit}?")
        return _relative(setting, amount if rising else -amount, before)
    if leads == {"by"} or leads == {"from"}:
        raise _Doubt(f"{setting.label}: up or down by {amount:g} {setting.unit}?")
    if "to" not in leads and amount < (STEPS_OF_A_VALUE - (unit is not None)) * step:
        raise _Doubt(f"{setting.label}: to {amount:g}, or by {amount:g} {setting.unit}, and which way?")
    return NotedChange(setting.name, _value(setting, _checked(setting, amount)))


def _relative(setting: Setting, change: float, before: float | None) -> NotedChange:
    if not change or abs(change) > MOST_STEPS * (setting.step or 0.0):
        raise _Doubt(f"{setting.label}: a change by {change:g} {setting.unit} is doubtful")
    if before is None:
        return NotedChange(setting.name, change=change)
    return NotedChange(
        setting.name, _value(setting, _checked(setting, before + change)), _value(setting, before)
    )


def _senses(setting: Setting, words: _Words) -> tuple[bool, bool]:
    """Whether the words say that the value rises, and that it falls; neither where they do not fit the setting."""
    kind = "rpm" if setting.unit == "rpm" else "height" if setting.name.endswith("_height") else "gap"
    directions = words.directions()
    if kind == "gap" and directions & {"open", "close"}:
        # "opened up", "closed down", "closed 2 more"
        directions -= {"up", "down", "more"}
    if setting.unit == "deg" or not directions <= _UP[kind] | _DOWN[kind]:
        return False, False
    rising, falling = bool(directions & _UP[kind]), bool(directions & _DOWN[kind])
    if rising and falling:
        raise _Doubt(f"{setting.label}: up and down in one")
    return rising, falling


def _in_unit(setting: Setting, value: float, unit: str | None) -> float:
    if unit is None or not setting.unit:
        return value
    try:
        return round(value * conversion(unit, setting.unit).scale, 6)
    except UnitError as error:
        raise _Doubt(f"{setting.label}: {error}") from None


def _checked(setting: Setting, value: float) -> float:
    low, high = setting.low, setting.high
    if (low is not None and value < low) or (high is not None and value > high):
        raise _Doubt(f"{setting.label} can't be {value:g} {setting.unit}")
    return value


def _value(setting: Setting, value: float) -> str:
    return plain_number(_checked(setting, value))
