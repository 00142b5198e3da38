"""A line in parts that each say one thing, and the words of each part by what they do."""

from __future__ import annotations

from dataclasses import dataclass

from chaffinch.pipelines.ingest.notes.line_parts import parts_of
from chaffinch.pipelines.ingest.notes.line_words import (
    Token,
    name_at,
    role_at,
    shortened_name_at,
    tokens_of,
    unit_after,
)
from chaffinch.schemas.units import UnitError, conversion
from chaffinch.schemas.words.trade_words import notebook_words

SIEVES, SIEVE = ("upper_sieve_opening", "lower_sieve_opening"), ("lower_sieve_opening",)
DIRECTIONS = frozenset(
    ("up", "down", "faster", "slower", "more", "less", "increase", "decrease", "open", "close")
)
_AMOUNTS = frozenset(("more", "less", "high", "low"))


@dataclass(frozen=True, slots=True)
class Number:
    """A number of a clause. place : among its words. unit : as written, None where there is none."""

    place: int
    value: float
    signed: bool
    unit: str | None


@dataclass(frozen=True, slots=True)
class Clause:
    """One clause in one language.

    candidates : settings that its names may mean; named : places of these names. roles : of each word that is neither
    name nor number, in order, with its place. unknown : words that are not known, with their places. shortened :
    whether a name is a beginning or misspelt.
    """

    text: str
    candidates: tuple[str, ...]
    named: tuple[int, ...]
    roles: tuple[tuple[int, frozenset[str]], ...]
    numbers: tuple[Number, ...]
    unknown: tuple[tuple[int, str], ...]
    shortened: bool = False

    @property
    def all_roles(self) -> set[str]:
        return {role for _, roles in self.roles for role in roles}

    @property
    def is_remark(self) -> bool:
        """Whether the clause says why or what else, and no change: it names no setting, and is about something
        else or has neither a number nor a direction. One that may take back what the line says is not a remark.
        """
        if self._says_unchanged:
            return True
        if self.candidates or self._doubts:
            return (
                bool(self.candidates) and self.begins_with_a_reason and not self.numbers and not self._doubts
            )
        if self.all_roles & {"other"} or self.begins_with_a_reason:
            return not self.numbers or bool(self.all_roles & {"other"}) or self._of_other_units
        if not self.numbers:
            return not self.directions() - _AMOUNTS
        return self._of_other_units and not self.directions()

    @property
    def _says_unchanged(self) -> bool:
        """Whether a setting stays as it is: "bottom sieve stays"."""
        said = self.all_roles
        return "unchanged" in said and not (
            self.numbers or self.unknown or said - {"unchanged", "state", "filler"}
        )

    @property
    def _doubts(self) -> bool:
        roles = self.all_roles
        # "ears not clean" is about the crop; "not" alone may take back what was said.
        return bool({"unsure", "back", "or"} & roles) or ("not" in roles and not roles & {"other", "because"})

    @property
    def begins_with_a_reason(self) -> bool:
        return bool(self.roles) and self.roles[0][0] == 0 and "because" in self.roles[0][1]

    @property
    def _of_other_units(self) -> bool:
        return all(n.unit is not None and not _fits_a_setting(n.unit) for n in self.numbers)

    def directions(self) -> set[str]:
        """Directions; a word before a number that may mean "to" is not one."""
        found: set[str] = set()
        for place, roles in self.roles:
            if not (roles & {"to", "by", "from"} and self._number_follows(place)):
                found |= roles & DIRECTIONS
        return found

    def stands_apart(self, number_place: int) -> bool:
        """Whether a colon or a comma parts a number from the words before: "more wind: 1100"."""
        return any(
            "apart" in r for p, r in self.roles if p < number_place and self._next_number(p) == number_place
        )

    def leads(self, number_place: int) -> frozenset[str]:
        """Roles of the words before a number, of ``to``, ``by`` and ``from``."""
        before = [(p, r) for p, r in self.roles if p < number_place and self._next_number(p) == number_place]
        fitting = [r & {"to", "by", "from"} for _, r in before if r & {"to", "by", "from"}]
        # "was at 950" is what it was.
        return frozenset(("from",)) if {"from"} in fitting else fitting[-1] if fitting else frozenset()

    @property
    def looks_back(self) -> bool:
        """Whether the clause says what was, and no number follows: "concave 12 was right"."""
        return any(
            roles & {"to", "by", "from"} == {"from"} and not self._number_follows(p)
            for p, roles in self.roles
        )

    def _next_number(self, place: int) -> int | None:
        """The number that a word stands before, but for small words."""
        after = [n.place for n in self.numbers if n.place > place]
        if not after or any(place < p < after[0] for p in (*self.named, *(q for q, _ in self.unknown))):
            return None
        between = [r for p, r in self.roles if place < p < after[0]]
        return after[0] if all(r & {"filler", "to", "by"} for r in between) else None

    def _number_follows(self, place: int) -> bool:
        return self._next_number(place) is not None


def clauses_of(text: str, language: str) -> list[Clause]:
    """The clauses of a line, with the numbers that go on in the next part."""
    found: list[Clause] = []
    for part in parts_of(text, language):
        if not part.strip(" \t-–:*.…"):
            continue
        clause = _clause(part, language)
        if found and _goes_on(found[-1], clause):
            clause = _clause(f"{found.pop().text} : {part}", language)
        found.append(clause)
    return found


def is_lower_sieve(names: tuple[str, ...], chaffer: bool) -> tuple[str, ...]:
    """``names``, where "sieve" is the lower one in a notebook that calls the upper one chaffer."""
    return SIEVE if chaffer and names == SIEVES else names


def _goes_on(before: Clause, after: Clause) -> bool:
    """Whether ``after`` gives the number of ``before``: "opened the top sieve a little, 15 to 17"."""
    if not before.candidates or not after.numbers or after.candidates or after.unknown:
        return False
    if (
        {"other", "because"} & after.all_roles
        or {"other", "unsure"} & before.all_roles
        or before.begins_with_a_reason
    ):
        return False
    was = len(before.numbers) == len(after.numbers) == 1 and "from" in after.leads(after.numbers[0].place)
    return was or not before.numbers


def _clause(text: str, language: str) -> Clause:
    tokens = _before_a_reason(tokens_of(text), language)
    holds_number = any(token.is_number for token in tokens)
    names, roles, numbers, unknown = [], [], [], []
    named: list[int] = []
    shortened, place = False, 0
    while place < len(tokens):
        token = tokens[place]
        if token.is_number:
            unit, taken = unit_after(tokens, place, text)
            numbers.append(Number(place, float(token.text.replace(",", ".")), token.text[0] in "+-", unit))
            place += 1 + taken
            continue
        name, taken = name_at(tokens, place, language)
        role: frozenset[str] = frozenset()
        if not name:
            role, taken = role_at(tokens, place, language)
        if not name and not role and holds_number and token.text[0].isalpha():
            name, taken = shortened_name_at(tokens, place, language)
            shortened = shortened or bool(name)
        if name:
            names.append(name)
            named += range(place, place + taken)
        elif role:
            roles.append((place, role))
        else:
            unknown.append((place, token.text))
        place += max(taken, 1)
    every = tuple(dict.fromkeys(name for one in names for name in one))
    # "the sieve at the top": what all the names may mean.
    shared = tuple(name for name in every if all(name in one for one in names))
    candidates = shared or every
    return Clause(text, candidates, tuple(named), tuple(roles), tuple(numbers), tuple(unknown), shortened)


def _before_a_reason(tokens: tuple[Token, ...], language: str) -> tuple[Token, ...]:
    """The words up to one such as "because", unless the clause begins with it."""
    reasons = notebook_words(language, "because")
    for place in range(1, len(tokens)):
        if "state" in role_at(tokens, place, language)[0]:
            # "trop fort" judges, "trop de pertes" says why.
            continue
        for length in (3, 2, 1):
            if "".join([token.plain for token in tokens[place : place + length]]) in reasons:
                head = tokens[:place]
                # "for" and its like also stand inside a name or before a number.
                if any(token.is_number for token in head) or place + length >= len(tokens):
                    return head
    return tokens


def _fits_a_setting(unit: str) -> bool:
    """Whether a setting is measured in ``unit``: a length, a turning speed or an angle."""
    for wanted in ("mm", "rpm", "deg"):
        try:
            conversion(unit, wanted)
        except UnitError:
            continue
        return unit != "%"
    return False
