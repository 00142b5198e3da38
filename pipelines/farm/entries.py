"""The entries of ``farm.toml``: what each may state, checked one by one."""

from __future__ import annotations

import shlex
from collections.abc import Iterable, Mapping
from datetime import date as Day
from datetime import datetime
from functools import cache
from pathlib import PurePosixPath
from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo

from chaffinch.pipelines.errors import did_you_mean
from chaffinch.schemas.declarations import (
    channels,
    letters_and_digits,
    settings,
    table_columns,
    without_unit,
)
from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field


def _known_zone(name: str) -> str:
    try:
        ZoneInfo(name)
    except (KeyError, ValueError, OSError):
        raise ValueError(f"'{name}' is not a time zone; write one such as Europe/Berlin or UTC") from None
    return name


TimeZone = Annotated[str, AfterValidator(_known_zone)]


class Stated(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


def _of_numbers(stated: Mapping[str, float]) -> Mapping[str, float]:
    numbers = [s.name for s in settings().values() if s.kind == "number"]
    for name in stated:
        if name not in numbers:
            raise ValueError(f"'{name}' is not a setting with a number{did_you_mean(name, numbers)}")
    return stated


def _of_positions(stated: Mapping[str, Iterable[str]]) -> Mapping[str, Iterable[str]]:
    """``stated``, a position or several by setting."""
    in_words = [s.name for s in settings().values() if s.positions]
    for name, positions in stated.items():
        if name not in in_words:
            raise ValueError(f"'{name}' is not a setting with positions{did_you_mean(name, in_words)}")
        known = settings()[name].positions
        for position in [positions] if isinstance(positions, str) else positions:
            if position not in known:
                raise ValueError(f"'{position}' is not a position of {name}; it has {', '.join(known)}")
    return stated


class Machine(Stated):
    """One combine: working width, diameters of drum and separation rotor [m], zone of its clock, names, crop.

    ``opening_per_step``: by setting, how far one step of the display moves it, in the catalogue's unit.
    ``positions``: by setting, the machine's own words for the catalogue's positions. ``never_together``: positions
    that its maker forbids together.
    """

    width_m: float | None = Field(default=None, gt=0, le=25)
    drum_diameter_m: float | None = Field(default=None, gt=0.1, le=2)
    rotor_diameter_m: float | None = Field(default=None, gt=0.1, le=2)
    time_zone: TimeZone | None = None
    aliases: tuple[str, ...] = ()
    crop: str | None = None
    opening_per_step: Annotated[Mapping[str, Annotated[float, Field(gt=0)]], AfterValidator(_of_numbers)] = (
        Field(default_factory=dict)
    )
    positions: Annotated[Mapping[str, Mapping[str, tuple[str, ...]]], AfterValidator(_of_positions)] = Field(
        default_factory=dict
    )
    never_together: tuple[Annotated[Mapping[str, str], AfterValidator(_of_positions)], ...] = ()

    def position(self, setting: str, word: str) -> str | None:
        """The catalogue's position that this machine calls ``word``; None if it states none."""
        wanted = letters_and_digits(word)
        for position, own in self.positions.get(setting, {}).items():
            if wanted in map(letters_and_digits, own):
                return position
        return None


class CropOverride(Stated):
    """Values that replace those of ``schemas/crops.toml`` for this farm.

    ``aliases``: other names that logs use for the crop. ``straw_cut_height_m``: the cutting height at which
    ``straw_per_grain`` was found.
    """

    aliases: tuple[str, ...] = ()

    market_moisture_pct: float | None = Field(default=None, gt=0, lt=30)
    bushel_mass_lb: float | None = Field(default=None, gt=10, lt=80)
    thousand_kernel_mass_g: float | None = Field(default=None, gt=0.5, lt=1000)
    straw_per_grain: float | None = Field(default=None, gt=0, lt=10)
    straw_cut_height_m: float | None = Field(default=None, ge=0, le=3)
    crop_height_m: float | None = Field(default=None, gt=0, le=5)


class Prices(Stated):
    """Price per tonne by crop and of a machine hour, in ``currency`` (a text shown as written)."""

    currency: str = "EUR"
    per_t: Mapping[str, Annotated[float, Field(ge=0)]] = Field(default_factory=dict)
    machine_per_h: float | None = Field(default=None, gt=0)


class Thresholds(Stated):
    """Share of rows set aside [%] from which a file needs a look."""

    set_aside_pct: float = Field(default=1.0, gt=0, le=100)


class TaskData(Stated):
    """Of ISO 11783-10 task data. ``people``: whether names of customer, farm and workers may enter tables."""

    people: bool = False


class SettingsLog(Stated):
    """How the settings logs that one pattern matches were written.

    ``written``: "at once", or "by hand" and so up to ``late_minutes`` after the change. ``takes_minutes``: how long a
    setting of it moves, from the logged moment on.
    """

    written: Literal["at once", "by hand"] | None = None
    late_minutes: float = Field(default=7.0, ge=0, le=60)
    takes_minutes: float = Field(default=0.0, ge=0, le=60)

    @property
    def latest_minutes(self) -> float | None:
        """Longest time between a change and its row, minutes; None where nothing is stated."""
        return None if self.written is None else self.late_minutes if self.written == "by hand" else 0.0


def _as_words(command: Any) -> Any:
    return tuple(shlex.split(command)) if isinstance(command, str) else command


def _web_address(named: str) -> str:
    if not named.lower().startswith(("http://", "https://")):
        raise ValueError(f"'{named}' is not an address that begins with http:// or https://")
    return named


class Notify(Stated):
    """Who is notified of each night: a command on its standard input, or an address by POST."""

    command: Annotated[tuple[str, ...], BeforeValidator(_as_words)] = ()
    webhook: Annotated[str, AfterValidator(_web_address)] | None = None
    when: Literal["always", "trouble"] = "always"


def _picture_inside(named: str) -> str:
    """A path below the folder of ``farm.toml``, of a picture that reports can show."""
    path = PurePosixPath(named.replace("\\", "/"))
    if path.is_absolute() or ".." in path.parts or ":" in named or any(not c.isprintable() for c in named):
        raise ValueError("write the path of a picture in the inbox, such as logo.png, without ..")
    if named and path.suffix.lower() not in (".png", ".svg"):
        raise ValueError(f"'{named}' is not a PNG or SVG picture")
    return named


# A line on the front of a report.
FrontLine = Annotated[str, Field(max_length=120, pattern=r"^[^\r\n]*$")]


class Client(Stated):
    """Shown on reports. ``date``: on the front, else the day of the last reading. ``logo``: path of a picture in the
    inbox."""

    name: FrontLine = ""
    title: FrontLine = ""
    consultant: FrontLine = ""
    date: Day | None = None
    logo: Annotated[str, Field(max_length=255), AfterValidator(_picture_inside)] = ""
    notes: Annotated[str, Field(max_length=4000)] = ""


@cache
def _targets() -> frozenset[str]:
    set_names = {name for s in settings().values() for name in (s.name, s.column)}
    return frozenset({*table_columns(), *channels(), *set_names, "ignore"})


def _known_target(name: str) -> str:
    """``name``, or the channel that ``name`` lacks only the unit of (``working_width``)."""
    if name in _targets():
        return name
    for channel in channels():
        if name == without_unit(channel):
            return channel
    raise ValueError(f"'{name}' is neither a channel nor a setting{did_you_mean(name, sorted(_targets()))}")


class ColumnMeaning(Stated):
    """What one column of an odd file is, and its unit where that is not the channel's own."""

    is_: Annotated[str, AfterValidator(_known_target)] = Field(alias="is")
    unit: str | None = None


def _short_form(names: Any) -> Any:
    """``column = "channel"`` as ``column = { is = "channel" }``."""
    if not isinstance(names, dict):
        return names
    return {column: {"is": m} if isinstance(m, str) else m for column, m in names.items()}


def _known_constants(stated: Mapping[str, str | float]) -> Mapping[str, str | float]:
    return {_known_target(name): constant for name, constant in stated.items()}


class FileColumns(Stated):
    """How to read the files that one pattern matches."""

    names: Annotated[Mapping[str, ColumnMeaning], BeforeValidator(_short_form)] = Field(default_factory=dict)
    constants: Annotated[Mapping[str, str | float], AfterValidator(_known_constants)] = Field(
        default_factory=dict
    )
    time_start: datetime | None = None
    time_zone: TimeZone | None = None
    time_format: str | None = None
    day_first: bool | None = None
