"""Whether 10/05/2026 is in May or in October, by what other files of the inbox say."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date, timedelta

_NUMBERS = re.compile(r"(?<![\d/.-])(\d{1,2})([/.-])(\d{1,2})\2(\d{4}|\d{2})(?!\d|[/.-]\d)")
_YEAR_FIRST = re.compile(r"(?<!\d)(\d{4})[-/.](\d{1,2})[-/.](\d{1,2})(?!\d)")
NEAR = timedelta(days=1)


@dataclass(frozen=True, slots=True)
class SeenDates:
    """The dates in the beginning of a text. day_first : the order that they prove, None where they prove none.

    days : dates that can be read in one way only. undecided : (first, second, year) of those that can be read in two.
    header : the first line, by which logs of one logger are known.
    """

    header: str = ""
    day_first: bool | None = None
    days: frozenset[date] = frozenset()
    undecided: tuple[tuple[int, int, int], ...] = field(default=())

    @property
    def is_open(self) -> bool:
        return bool(self.undecided) and self.day_first is None


def seen_dates(text: str) -> SeenDates:
    """The dates of ``text``."""
    days = {_date(int(m[1]), int(m[2]), int(m[3])) for m in _YEAR_FIRST.finditer(text)}
    undecided: list[tuple[int, int, int]] = []
    over_first = over_second = 0
    for found in _NUMBERS.finditer(text):
        first, second = int(found[1]), int(found[3])
        year = int(found[4]) + (2000 if len(found[4]) == 2 else 0)
        if found[2] == ".":
            days.add(_date(year, second, first))
            continue
        over_first, over_second = over_first + (first > 12), over_second + (second > 12)
        undecided.append((first, second, year))
    order = None if bool(over_first) == bool(over_second) else bool(over_first)
    if order is not None:
        days |= {_day(one, order) for one in undecided}
    header = text.partition("\n")[0].strip()
    return SeenDates(header, order, frozenset(day for day in days if day), tuple(dict.fromkeys(undecided)))


def order_by_others(
    seen: SeenDates, others: Iterable[SeenDates], known_days: Iterable[date] = ()
) -> bool | None:
    """Whether the day leads in a file that does not say; None where the others do not say it either.

    First by days: those of one order are days on which others have rows, those of the other are not. Then by files
    with the same header, then by all that prove an order and agree.
    """
    others = list(others)
    days = {day for other in others for day in other.days} | set(known_days)
    near = {day + shift for day in days for shift in (-NEAR, NEAR - NEAR, NEAR)}
    fits = {order: sum(_day(one, order) in near for one in seen.undecided) for order in (True, False)}
    if bool(fits[True]) != bool(fits[False]):
        return bool(fits[True])
    for alike in ([one for one in others if one.header == seen.header], others):
        orders = {one.day_first for one in alike} - {None}
        if len(orders) == 1:
            return orders.pop()
    return None


def _day(numbers: tuple[int, int, int], day_first: bool) -> date | None:
    first, second, year = numbers
    return _date(year, second, first) if day_first else _date(year, first, second)


def _date(year: int, month: int, day: int) -> date | None:
    try:
        return date(year, month, day)
    except ValueError:
        return None
