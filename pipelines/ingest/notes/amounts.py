"""What the numbers of a clause say: to a value, from one to another, or by an amount."""

from __future__ import annotations

from dataclasses import dataclass

from chaffinch.pipelines.ingest.notes.clauses import Clause, Number
from chaffinch.pipelines.ingest.text.number_parsing import plain_number
from chaffinch.schemas.declarations import Setting
from chaffinch.schemas.units import UnitError, conversion

# A bare number below so many usual steps is no plausible value, and from there on no plausible change.
STEPS_OF_A_VALUE = 4
MOST_STEPS = 8
_UP = {
    "rpm": {"up", "faster", "more", "increase"},
    "height": {"up", "more", "increase"},
    "gap": {"open", "increase"},
}
_DOWN = {
    "rpm": {"down", "slower", "less", "decrease"},
    "height": {"down", "less", "decrease"},
    "gap": {"close", "decrease"},
}


class Doubt(Exception):
    """Why a clause is not read; part of a sentence."""


@dataclass(frozen=True, slots=True)
class NotedChange:
    """One change: to a value, by an amount (``change``, its values not known), or to a position.

    Numbers in the catalogue's unit.
    """

    setting: str
    to_value: str | None = None
    from_value: str | None = None
    change: float | None = None


def two_numbers(
    setting: Setting, clause: Clause, numbers: tuple[Number, ...], known: float | None
) -> NotedChange:
    """From one value to another, or by an amount to a value."""
    first, second = numbers
    leads = clause.leads(first.place), clause.leads(second.place)
    a, b = (_in_unit(setting, n.value, n.unit or second.unit) for n in (first, second))
    rising, falling = _senses(setting, clause)
    if second.signed and not first.signed and not leads[1]:
        # "1000 (+50)"
        old, new = a - b, a
    elif "from" in leads[1] and "from" not in leads[0]:
        old, new = b, a
    elif "to" not in leads[1] or second.signed:
        raise Doubt(f"{setting.label}: which of {a:g} and {b:g} is the new value?")
    elif first.signed or (leads[0] == {"by"} and (rising or falling)):
        old, new = b - (a if rising or (first.signed and not falling) else -a), b
    else:
        old, new = a, b
        if not setting.allows(a) and (rising or falling) and abs(a) <= MOST_STEPS * (setting.step or 0.0):
            old = b - (a if rising else -a)
    if (rising and new < old) or (falling and new > old):
        raise Doubt(f"{setting.label}: the words and the numbers go opposite ways")
    if known is not None and old not in (a, b, known):
        raise Doubt(f"{setting.label} stood at {known:g}, so it can't have gone from {old:g} to {new:g}")
    return NotedChange(setting.name, _value(setting, new), _value(setting, old))


def one_number(setting: Setting, clause: Clause, number: Number, before: float | None) -> NotedChange:
    amount = _in_unit(setting, number.value, number.unit)
    leads = clause.leads(number.place)
    rising, falling = _senses(setting, clause)
    step = setting.step or 0.0
    directions = clause.directions()
    if directions and not (rising or falling) and "to" not in leads:
        raise Doubt(f"{setting.label}: which way is that? Write the new value in {setting.unit}")
    if number.signed and not leads - {"by"} and setting.low is not None and setting.low >= 0:
        if falling and amount > 0:
            raise Doubt(f"{setting.label}: the word and the sign go opposite ways")
        return _relative(setting, amount if not (rising and amount < 0) else -amount, before)
    is_amount = amount < STEPS_OF_A_VALUE * step
    if (
        not directions
        and "back" in clause.all_roles
        and setting.unit == "rpm"
        and is_amount
        and leads != {"to"}
    ):
        # "fan back 50" is less; "fan back 950" is to 950.
        falling = True
    if rising or falling:
        if leads == {"to"} and not ("back" in clause.all_roles and is_amount and not setting.allows(amount)):
            return _to(setting, amount, rising, before)
        if not leads and not is_amount and clause.stands_apart(number.place):
            return _to(setting, amount, rising, before)
        if not leads & {"by", "from"} and not is_amount:
            raise Doubt(f"{setting.label}: to {amount:g} or by {amount:g} {setting.unit}?")
        return _relative(setting, amount if rising else -amount, before)
    if leads == {"by"} or leads == {"from"}:
        raise Doubt(f"{setting.label}: up or down by {amount:g} {setting.unit}?")
    fewest = STEPS_OF_A_VALUE - (number.unit is not None)
    if number.unit is not None and setting.name.endswith("_height"):
        # "stubble 12 cm": amounts of a height come with up or down.
        fewest = 1
    if "to" not in leads and amount < fewest * step:
        raise Doubt(f"{setting.label}: to {amount:g}, or by {amount:g} {setting.unit}, and which way?")
    return NotedChange(setting.name, _value(setting, _checked(setting, amount)))


def _to(setting: Setting, value: float, rising: bool, before: float | None) -> NotedChange:
    """The change to a value, where the words say which way it went."""
    if before is not None and ((rising and value < before) or (not rising and value > before)):
        raise Doubt(f"{setting.label} stood at {before:g}: did it go to {value:g}, or by {value:g}?")
    return NotedChange(setting.name, _value(setting, value))


def _relative(setting: Setting, change: float, before: float | None) -> NotedChange:
    if not change or abs(change) > MOST_STEPS * (setting.step or 0.0):
        raise Doubt(f"{setting.label}: a change by {change:g} {setting.unit} is doubtful")
    if before is None:
        return NotedChange(setting.name, change=change)
    return NotedChange(
        setting.name, _value(setting, _checked(setting, before + change)), _value(setting, before)
    )


def _senses(setting: Setting, clause: Clause) -> tuple[bool, bool]:
    """Whether the words say that the value rises, and that it falls; neither where they do not fit the setting."""
    kind = "rpm" if setting.unit == "rpm" else "height" if setting.name.endswith("_height") else "gap"
    directions = clause.directions()
    if kind == "gap" and directions & {"open", "close"}:
        # "opened up", "closed down", "closed 2 more"
        directions -= {"up", "down", "more"}
    up, down = _UP[kind], _DOWN[kind]
    if kind == "gap" and any(n.unit is not None for n in clause.numbers):
        # "2 mm less" is less of a gap; "2 less" may be less of anything.
        up, down = up | {"more"}, down | {"less"}
    if kind != "gap":
        # "the fan opened up 50" is the fan's speed all the same.
        directions -= {"open", "close"} if directions & (up | down) else set()
    if setting.unit == "deg" or not directions <= up | down:
        return False, False
    rising, falling = bool(directions & up), bool(directions & down)
    if rising and falling:
        raise Doubt(f"{setting.label}: up and down in one")
    return rising, falling


def _in_unit(setting: Setting, value: float, unit: str | None) -> float:
    if unit is None or not setting.unit:
        return value
    try:
        return round(value * conversion(unit, setting.unit).scale, 6)
    except UnitError as error:
        raise Doubt(f"{setting.label}: {error}") from None


def _checked(setting: Setting, value: float) -> float:
    if not setting.allows(value):
        raise Doubt(f"{setting.label} can't be {value:g} {setting.unit}")
    return value


def _value(setting: Setting, value: float) -> str:
    return plain_number(_checked(setting, value))
