"""What the user may state about the farm: ``farm.toml``. Every entry is optional.

``example.toml`` in this folder shows the whole format.
"""

from __future__ import annotations

import shlex
import tomllib
from collections.abc import Iterable, Mapping
from datetime import date as Day
from datetime import datetime
from fnmatch import fnmatch
from functools import cache
from pathlib import Path, PurePosixPath
from typing import Annotated, Any, Literal, TypeVar, get_args, get_origin
from zoneinfo import ZoneInfo

from chaffinch.pipelines.errors import DeclarationError, did_you_mean
from chaffinch.pipelines.farm.stated_loads import LoadTicket
from chaffinch.schemas.declarations import (
    channels,
    crops,
    letters_and_digits,
    settings,
    table_columns,
    without_unit,
)
from chaffinch.schemas.words.trade_words import crop_names
from pydantic import (
    AfterValidator,
    AliasChoices,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    PrivateAttr,
    ValidationError,
)
from pydantic_core import ErrorDetails


def _known_zone(name: str) -> str:
    try:
        ZoneInfo(name)
    except (KeyError, ValueError, OSError):
        raise ValueError(f"'{name}' is not a time zone; write one such as Europe/Berlin or UTC") from None
    return name


MOST_FAULTS = 12
Entry = TypeVar("Entry")
TimeZone = Annotated[str, AfterValidator(_known_zone)]


class _Stated(BaseModel):
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


class Machine(_Stated):
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


class CropOverride(_Stated):
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


class Prices(_Stated):
    """Price per tonne by crop and of a machine hour, in ``currency`` (a text shown as written)."""

    currency: str = "EUR"
    per_t: Mapping[str, Annotated[float, Field(ge=0)]] = Field(default_factory=dict)
    machine_per_h: float | None = Field(default=None, gt=0)


class Thresholds(_Stated):
    """Share of rows set aside [%] from which a file needs a look."""

    set_aside_pct: float = Field(default=1.0, gt=0, le=100)


def _without_what_nothing_reads(stated: Any) -> Any:
    """Farms of an older version may state ``loss_share_pct``."""
    return {k: v for k, v in stated.items() if k != "loss_share_pct"} if isinstance(stated, dict) else stated


class TaskData(_Stated):
    """Of ISO 11783-10 task data. ``people``: whether names of customer, farm and workers may enter tables."""

    people: bool = False


class SettingsLog(_Stated):
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


class Notify(_Stated):
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


class Client(_Stated):
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


class ColumnMeaning(_Stated):
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


class FileColumns(_Stated):
    """How to read the files that one pattern matches."""

    names: Annotated[Mapping[str, ColumnMeaning], BeforeValidator(_short_form)] = Field(default_factory=dict)
    constants: Annotated[Mapping[str, str | float], AfterValidator(_known_constants)] = Field(
        default_factory=dict
    )
    time_start: datetime | None = None
    time_zone: TimeZone | None = None
    time_format: str | None = None
    day_first: bool | None = None


def _one_table_each(stated: Any) -> Any:
    if not isinstance(stated, (list, tuple)):
        raise ValueError("write each weighed load as a separate table under [[load_tickets]]")
    return stated


def _one_owner_per_name(machines: Mapping[str, Machine]) -> Mapping[str, Machine]:
    owner: dict[str, str] = {}
    for name, machine in machines.items():
        for known in (name, *machine.aliases):
            other = owner.setdefault(known.casefold(), name)
            if other != name:
                raise ValueError(f"'{known}' names both '{other}' and '{name}'; give it to one of them")
    return machines


class Farm(_Stated):
    """Everything stated in ``farm.toml``; ``Farm()`` is the default of each entry."""

    units: Literal["metric", "us"] = "metric"
    time_zone: TimeZone | None = None
    client: Client = Client()
    machines: Annotated[Mapping[str, Machine], AfterValidator(_one_owner_per_name)] = Field(
        default_factory=dict
    )
    crops: Mapping[str, CropOverride] = Field(default_factory=dict)
    prices: Prices = Prices()
    thresholds: Annotated[Thresholds, BeforeValidator(_without_what_nothing_reads)] = Thresholds()
    task_data: TaskData = TaskData()
    # Farms of an older version call it [tell].
    notify: Notify = Field(default=Notify(), validation_alias=AliasChoices("notify", "tell"))
    columns: Mapping[str, FileColumns] = Field(default_factory=dict)
    settings_logs: Mapping[str, SettingsLog] = Field(default_factory=dict)
    load_tickets: Annotated[tuple[LoadTicket, ...], BeforeValidator(_one_table_each)] = ()
    # Not stated: what other files of the inbox show of the one that is read with this.
    _day_first_by_others: bool | None = PrivateAttr(default=None)

    @property
    def day_first_by_others(self) -> bool | None:
        """Whether other files show that the day leads in dates such as 10/05/2026 of this file."""
        return self._day_first_by_others

    def with_day_first(self, by_others: bool | None) -> Farm:
        """This farm for a file of which other files show the order of day and month."""
        found = self.model_copy()
        found._day_first_by_others = by_others
        return found

    def machine_aliases(self) -> dict[str, str]:
        """Every name a log may use, in lower case, to the machine's own name."""
        return {
            known.casefold(): name
            for name, machine in self.machines.items()
            for known in (name, *machine.aliases)
        }

    def columns_of(self, file: str) -> FileColumns:
        """The first entry of ``columns`` whose pattern matches the path or the bare name of ``file``."""
        return _entry_of(self.columns, file) or FileColumns()

    def settings_log_of(self, file: str) -> SettingsLog:
        """The first entry of ``settings_logs`` whose pattern matches the path or the bare name of ``file``."""
        return _entry_of(self.settings_logs, file) or SettingsLog()

    def diameters_m(self) -> dict[str, dict[str, float]]:
        """Diameter [m] at whose tip a setting works, where stated: setting -> machine -> diameter."""
        return {
            setting.name: {
                name: diameter
                for name, machine in self.machines.items()
                if (diameter := getattr(machine, f"{setting.tip_of}_diameter_m")) is not None
            }
            for setting in settings().values()
            if setting.tip_of is not None
        }

    def zone_of(self, machine: str) -> str | None:
        """Zone of the machine's clock: its own, else the farm's, else None."""
        stated = self.machines.get(machine)
        return (stated.time_zone if stated else None) or self.time_zone

    def of_crop(
        self,
        value: Literal["bushel_mass_lb", "thousand_kernel_mass_g", "market_moisture_pct"],
        crop: str | None,
    ) -> float | None:
        """A value of ``crop``, its unit in the name: the farm's own, else the declared one, else None."""
        for known in (self.crops.get(crop or ""), crops().get(crop or "")):
            found = getattr(known, value, None)
            if isinstance(found, (int, float)):
                return float(found)
        return None

    def crop_named(self, text: str) -> str:
        """The name of the crop that ``text`` names: declared, else of this farm, else ``text`` itself."""
        own = {
            letters_and_digits(known): crop_names().get(letters_and_digits(name), name)
            for name, crop in self.crops.items()
            for known in (name, *crop.aliases)
        }
        plain = letters_and_digits(text)
        return own.get(plain) or crop_names().get(plain) or text


def _entry_of(entries: Mapping[str, Entry], file: str) -> Entry | None:
    bare = PurePosixPath(file).name
    names = (file, bare, bare.removesuffix(".gz"))
    return next((e for pattern, e in entries.items() if any(fnmatch(n, pattern) for n in names)), None)


def parse_farm(text: str | bytes, source: str = "farm.toml") -> Farm:
    """Read the text or the bytes of a ``farm.toml``; ``source`` is its name in messages.

    Raises ``DeclarationError`` with every fault: which file, which entry, what is wrong.
    """
    try:
        raw = tomllib.loads(text.decode("utf-8-sig") if isinstance(text, bytes) else text)
    except UnicodeDecodeError:
        raise DeclarationError(f"{source} is not UTF-8 text; save it as UTF-8.") from None
    except tomllib.TOMLDecodeError as error:
        raise DeclarationError(f"{source} is not valid TOML: {error}.") from None
    except (RecursionError, ValueError):
        raise DeclarationError(
            f"{source} is nested too deeply, or holds a number of thousands of digits; look inside."
        ) from None
    try:
        return Farm.model_validate(raw)
    except ValidationError as error:
        raise DeclarationError(f"{source}: {_faults(error)}.") from None


def load_farm(path: Path) -> Farm:
    """Read ``farm.toml`` at ``path``. Raises ``DeclarationError`` (see ``parse_farm``)."""
    try:
        return parse_farm(path.read_bytes(), str(path))
    except OSError as error:
        raise DeclarationError(f"{path} can't be read: {error.strerror}.") from None


def _faults(error: ValidationError) -> str:
    """Every fault as "entry: what is wrong", with the nearest known entry for an unknown one."""
    found = list(dict.fromkeys(_fault(one) for one in error.errors()))
    more = f"; and {len(found) - MOST_FAULTS} more" if len(found) > MOST_FAULTS else ""
    return "; ".join(found[:MOST_FAULTS]) + more


def _fault(first: ErrorDetails) -> str:
    path = [str(part) for part in first["loc"]]
    where = ".".join(path)[:200]
    if first["type"] != "extra_forbidden":
        if first["type"] == "model_type":
            return f"{where} must be a table with entries, found {first['input']!r}"
        return f"{where}: {first['msg'].removeprefix('Value error, ')}"
    return f"{where} is not an entry of farm.toml{did_you_mean(path[-1], _entries_at(first['loc'][:-1]))}"


def _entries_at(path: tuple[int | str, ...]) -> list[str]:
    """The names of the entries that the table at ``path`` may have; none where it is not known."""
    model: Any = Farm
    for part in path:
        if isinstance(model, type) and issubclass(model, BaseModel):
            field = model.model_fields.get(str(part))
            model = field.annotation if field else None
        else:  # a mapping of names to tables, or a list of tables
            model = get_args(model)[-1 if get_origin(model) is Mapping else 0]
    return list(model.model_fields) if isinstance(model, type) and issubclass(model, BaseModel) else []
