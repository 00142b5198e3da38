"""What each column of a log is: resolved against the device's own description, mapped to channel or setting.

A column is its place in the header, so that sections, two headers or several bus values under one identifier
never overwrite one another. Its presentation is looked up strictly at its own device element.

Which channel it feeds: what ``farm.toml`` says, else a designator that is the name of a channel or setting
column, else its identifier in the dictionary. In ``farm.toml`` a column is named by its key, its number (either
notation, with or without the number of its element) or its designator; ``unit`` is that of the number as
the device shows it::

    [columns."combine_c*"]
    names = { "E005" = "separation_loss_signal", "57350/3" = { is = "fan_speed_rpm", unit = "rpm" } }
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

from chaffinch.pipelines.farm.entries import ColumnMeaning
from chaffinch.pipelines.ingest.task_data.files.dictionary import (
    BUS_MESSAGE,
    FIRST_PROPRIETARY,
    Identifier,
    identifiers,
)
from chaffinch.pipelines.ingest.task_data.files.task_objects import DeviceElement, ProcessValue, TaskFile
from chaffinch.pipelines.ingest.task_data.records.log_header import DataLogValue, LogHeader
from chaffinch.schemas.declarations import channels, settings

WORK_STATE = 141
POSITION_CHANNELS = ("latitude", "longitude", "altitude_m")
KIND_ORDER = ("device", "function", "unit", "bin", "section", "navigation", "connector", "unknown")
_WEAK_WORDS = frozenset(
    ["loss", "speed", "rate", "flow", "mass", "signal", "sensor", "rpm", "volume", "shaft", "drive"]
    + ["rotational", "of", "the"]
)


@dataclass(frozen=True, slots=True)
class LogColumn:
    """``target``: channel or setting column, when one is fed. ``target_unit``: what its values are in.

    stated_unit : the unit that ``farm.toml`` gives the values as the device shows them, if it does.
    """

    place: DataLogValue
    entry: Identifier | None
    element: DeviceElement | None
    described: ProcessValue | None
    target: str | None
    target_unit: str | None
    stated_unit: str | None = None

    @property
    def key(self) -> str:
        """Name in ``other``: number, element number and designator, e.g. ``57345/3/drum torque``."""
        element = self.element.number if self.element else self.place.element or "?"
        name = (self.described.designator if self.described else "") or (
            self.entry.label if self.entry else ""
        )
        if self.place.signal:
            name = "group {} bits {}-{}".format(*self.place.signal)
        parts = (str(self.place.identifier if self.place.identifier is not None else "?"), str(element), name)
        text = "/".join(part for part in parts if part)
        return "".join(letter if letter.isprintable() else " " for letter in text)[:100]

    @property
    def rank(self) -> tuple[int, int]:
        """Which of several columns for one target to prefer, lowest first."""
        kind = self.element.kind if self.element else "unknown"
        return (self.entry.rank if self.entry else 0, KIND_ORDER.index(kind))


def resolve(
    header: LogHeader, task_file: TaskFile, mapping: Mapping[str, ColumnMeaning]
) -> tuple[LogColumn, ...]:
    """The columns of ``header``. ``mapping``: names of columns in ``farm.toml`` and what they are."""
    return tuple(_resolve(place, task_file, mapping) for place in header.values)


def _resolve(place: DataLogValue, task_file: TaskFile, mapping: Mapping[str, ColumnMeaning]) -> LogColumn:
    element = task_file.elements.get(place.element)
    number = place.identifier
    entry = identifiers().get(number) if number is not None else None
    described = None
    if element is not None and number is not None:
        described = element.logged.get(number) or element.fixed.get(number)
    bare = LogColumn(place, entry, element, described, None, None)
    stated = _stated(bare, mapping)
    if stated is not None:
        target = _column_of(stated.is_)
        return LogColumn(place, entry, element, described, target, channel_unit(target), stated.unit)
    target = _target(bare)
    return LogColumn(place, entry, element, described, target, channel_unit(target))


def names_in_farm(column: LogColumn) -> list[str]:
    """Names by which ``farm.toml`` may mean a column, in lower case: key, number in either notation, designator."""
    names = [column.key]
    if column.place.identifier is not None:
        element = column.element.number if column.element else ""
        for number in (str(column.place.identifier), f"{column.place.identifier:04X}"):
            names += [f"{number}/{element}", number]
    if column.described and column.described.designator:
        names.append(column.described.designator)
    return [name.casefold() for name in names]


def _stated(column: LogColumn, mapping: Mapping[str, ColumnMeaning]) -> ColumnMeaning | None:
    """What ``farm.toml`` says of a column."""
    lowered = {name.casefold(): meaning for name, meaning in mapping.items()}
    return next((lowered[name] for name in names_in_farm(column) if name in lowered), None)


def _target(column: LogColumn) -> str | None:
    designator = column.described.designator.casefold() if column.described else ""
    if column.place.identifier in (BUS_MESSAGE, WORK_STATE):
        return None
    if designator in _canonical():
        return designator
    # The range that makers fill as they like: never guessed from a number or a loose word.
    if column.entry is None or column.entry.number >= FIRST_PROPRIETARY:
        return None
    known = [target for target in column.entry.targets if target in _canonical()]
    if len(column.entry.targets) <= 1:
        return known[0] if known else None
    words = _words(f"{designator} {column.element.designator if column.element else ''}")
    named = [target for target in known if words & _place_words(target)]
    return named[0] if len(named) == 1 else None


@cache
def _canonical() -> Mapping[str, str]:
    """Every column of ``readings`` that a value may feed, with its unit; places come with the record."""
    own = {
        channel.name: channel.unit for channel in channels().values() if channel.name not in POSITION_CHANNELS
    }
    return own | {setting.column: setting.unit for setting in settings().values() if setting.kind == "number"}


def channel_unit(target: str | None) -> str | None:
    """Unit of a channel or setting column; "" for a relative one, None without a target."""
    return None if target is None else _canonical().get(target, "")


def _column_of(name: str) -> str | None:
    """The column that a name in ``farm.toml`` stands for; None for ``ignore`` and what no value can feed."""
    column = settings()[name].column if name in settings() else name
    return column if column in _canonical() else None


@cache
def _place_words(target: str) -> frozenset[str]:
    """Words that distinguish this target from similar ones, e.g. rotor, walker; of its name and synonyms."""
    synonyms = channels()[target].synonyms if target in channels() else ()
    for setting in settings().values():
        if setting.column == target:
            synonyms = (setting.name.replace("_", " "), *setting.synonyms)
    return frozenset().union(*(_words(text) for text in (target.split("_")[0], *synonyms))) - _WEAK_WORDS


def _words(text: str) -> frozenset[str]:
    return frozenset(re.findall(r"[a-z]+", text.casefold().replace("_", " ")))
