"""The change that one clause says: of a number, to a position, or a service."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from chaffinch.pipelines.ingest.notes.amounts import Doubt, NotedChange, one_number, two_numbers
from chaffinch.pipelines.ingest.notes.clauses import DIRECTIONS, Clause, Number, is_lower_sieve
from chaffinch.schemas.declarations import Setting, settings

NO_SETTING = "it names no setting"
UNSURE = "it may be a plan or a guess, not a change that was made"


@dataclass(frozen=True, slots=True)
class Context:
    """What the lines before say. known : value of each numeric setting. used : every value that it had.

    chaffer : whether the notebook calls the upper sieve chaffer, so that "sieve" alone is the lower one. steps : how
    far one step of the machine's display moves a setting, in the catalogue's unit, as ``farm.toml`` states it.
    last : settings that the line before changed.
    """

    known: Mapping[str, float] = field(default_factory=dict)
    used: Mapping[str, frozenset[float]] = field(default_factory=dict)
    chaffer: bool = False
    steps: Mapping[str, float] = field(default_factory=dict)
    last: tuple[str, ...] = ()


def change_of(clause: Clause, context: Context) -> NotedChange:
    """The change that a clause says. Raises ``Doubt``."""
    roles = clause.all_roles
    if {"unsure", "not"} & roles:
        raise Doubt(UNSURE)
    if "unchanged" in roles:
        raise Doubt("it may say that a value stays as it was")
    if "or" in roles:
        raise Doubt("it names one thing or another")
    if clause.looks_back:
        raise Doubt("it may tell what was before")
    candidates = is_lower_sieve(clause.candidates, context.chaffer)
    if not candidates:
        raise Doubt(NO_SETTING)
    if len(candidates) > 1 and "back" in roles and len(clause.numbers) == 1:
        # "Back to 14": the one of them that stood at 14 before.
        value = clause.numbers[0].value
        candidates = tuple(one for one in candidates if value in context.used.get(one, ())) or candidates
    if len(candidates) > 1:
        labels = " or ".join(settings()[name].label.lower() for name in candidates)
        raise Doubt(f"it may mean the {labels}")
    setting = settings()[candidates[0]]
    _nothing_else(setting, clause)
    if setting.kind == "service":
        if clause.numbers or clause.directions():
            raise Doubt(f"a service ({setting.label.lower()}) has no value")
        return NotedChange(setting.name)
    if setting.kind != "number":
        return _position(setting, clause)
    numbers = _in_steps(setting, clause, context)
    if len(numbers) == 2:
        return two_numbers(setting, clause, numbers, context.known.get(setting.name))
    if len(numbers) != 1:
        how_much = (
            "it holds several numbers" if numbers else f"by how much, or to which value ({setting.unit})?"
        )
        raise Doubt(f"{setting.label}: {how_much}")
    return one_number(setting, clause, numbers[0], context.known.get(setting.name))


def _nothing_else(setting: Setting, clause: Clause) -> None:
    """That a clause is about the setting and not about its belt, or about how it runs. Raises ``Doubt``.

    Unknown words may follow the number where that is beyond doubt a value or an amount, and one may begin the clause.
    """
    first_number = clause.numbers[0].place if clause.numbers else None
    last_number = clause.numbers[-1] if clause.numbers else None
    moves = bool(clause.directions()) or _is_plain_move(clause)
    says_where_to = moves or any(clause.leads(n.place) for n in clause.numbers)
    sound = {"filler", "to", *DIRECTIONS}
    others = [p for p, roles in clause.roles if roles & {"other", "state"} and not roles & sound]
    others = [p for p in others if not any("after" in roles for q, roles in clause.roles if p - 3 < q < p)]
    held = {p for p in others if "state" in dict(clause.roles)[p]}
    if setting.kind == "service":
        others = []
    for place, is_unknown in sorted([(p, False) for p in others] + [(p, True) for p, _ in clause.unknown]):
        if last_number is not None and place > last_number.place:
            behind = place > last_number.place + 1 or last_number.unit is not None
            if place not in held and (moves if is_unknown else says_where_to and behind):
                continue
        elif is_unknown and place == 0 and first_number is not None and _is_plain_move(clause):
            continue
        word = dict(clause.unknown).get(place)
        raise Doubt(
            f"'{word}' is not known here"
            if word
            else f"it seems to be about something else than the {setting.label.lower()} itself"
        )


def _is_plain_move(clause: Clause) -> bool:
    """Whether the numbers alone say the change: "fan 900 -> 950", "fan +50", "fan up 50"."""
    numbers = clause.numbers
    if len(numbers) == 2:
        return "to" in clause.leads(numbers[1].place)
    return len(numbers) == 1 and (numbers[0].signed or bool(clause.directions()))


def _in_steps(setting: Setting, clause: Clause, context: Context) -> tuple[Number, ...]:
    """The numbers of a clause; those that count steps of a lever as ``farm.toml`` says how far one moves it."""
    roles = clause.all_roles
    if "step" not in roles and not ("turns" in roles and setting.unit != "rpm"):
        return clause.numbers
    step = context.steps.get(setting.name)
    if step is None or "step" not in roles:
        raise Doubt(
            f"steps of a lever differ from machine to machine; write {setting.label.lower()} in {setting.unit}, or "
            f"say in farm.toml how far a step moves it: opening_per_step = {{ {setting.name} = ... }}"
        )
    return tuple(Number(n.place, round(n.value * step, 6), n.signed, setting.unit) for n in clause.numbers)


def _position(setting: Setting, clause: Clause) -> NotedChange:
    if clause.numbers:
        raise Doubt(f"{setting.label} is one of {', '.join(setting.positions)}, and no number")
    ways = DIRECTIONS | {"high", "low"}
    # "auf langsam": a word that may mean "to" says no way where another one does.
    plain = {role for _, roles in clause.roles if "to" not in roles for role in roles & ways}
    directions = plain or clause.directions()
    meant = {
        "high": "high", "low": "low", "open": "open", "close": "closed",
        "up": "high", "down": "low", "faster": "high", "slower": "low",
    }  # fmt: skip
    found = {position for d in directions if (position := setting.position(meant.get(d, ""))) is not None}
    if len(found) != 1 or len({meant.get(d) for d in directions}) != 1:
        raise Doubt(f"{setting.label}: is it now {' or '.join(setting.positions)}?")
    return NotedChange(setting.name, found.pop())
