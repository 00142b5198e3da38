"""What the user may state about the farm: ``farm.toml``. Every entry is optional.

The whole format, as an example::

    units = "metric"                    # how pages show numbers: "metric" or "us"
    time_zone = "Europe/Berlin"         # of times written without an offset

    [client]
    name = "Rook Hill Farm"
    logo = "rook_hill.png"              # a picture beside this file
    notes = "Season report for the growers' meeting."

    [machines."Combine A"]
    width_m = 9.0                       # working width where the log has none
    drum_diameter_m = 0.66              # threshing drum (or the one rotor), so that speeds pool by tip speed
    rotor_diameter_m = 0.45             # separation rotor, where there is one
    time_zone = "Europe/Paris"          # of this machine's clock, where it differs
    aliases = ["A", "0012"]             # other names that logs use for it
    crop = "wheat"                      # where the log names none
    opening_per_step = { concave_clearance = 1.5 }  # in the catalogue's unit, where its log counts steps

    [crops.wheat]                       # overrides of schemas/crops.toml
    market_moisture_pct = 14.0
    bushel_mass_lb = 60
    thousand_kernel_mass_g = 45
    straw_per_grain = 0.9               # by mass, for the total feed rate
    straw_cut_height_m = 0.15           # the cutting height at which that was found, and the height of the
    crop_height_m = 0.80                # crop: with both the ratio follows the cutting height

    [prices]
    currency = "EUR"
    per_t = { wheat = 210, barley = 180 }
    machine_per_h = 250                 # what an hour of the machine costs, so that time saved has a worth

    [thresholds]
    loss_share_pct = 1.0                # grain loss that pages call to attention, % of grain
    set_aside_pct = 5.0                 # share of rows set aside that pages call to attention, %

    [[load_tickets]]                    # weighed loads; or deliver them as a CSV
    machine = "Combine A"
    from = 2026-08-03T10:12:00          # when its cutting began and ended, by the machine's clock
    to = 2026-08-03T10:55:00
    mass = "9.84 t"                     # net, as weighed; or mass_kg = 9840
    moisture_pct = 14.8

    [task_data]
    people = true                       # names of customer, farm and workers go into `other`; else they stay out

    [tell]                              # who gets the summary of each night, as JSON
    command = ["notify", "--farm"]      # on its standard input; no shell reads it
    webhook = "https://example.org/h"   # as the body of a POST
    when = "trouble"                    # "always" (default), or only on exit code 1

    [columns."odd_yield_*.tsv"]         # files whose columns need explaining; matched on name or path
    names = { mass = { is = "grain_flow_kg_s", unit = "lb/s" }, dist = "distance_m", kind = "ignore" }
    constants = { machine = "Combine A", field = "Mill Field", crop = "corn", working_width = "360 in" }
    time_start = 2011-11-05T12:38:03    # where the time column counts seconds from a start
    time_zone = "America/Chicago"

    [columns."old_box/*.csv"]
    time_format = "%d.%m.%Y %H:%M:%S"   # where the form of the times is ambiguous
    day_first = true                    # or only this, for 03/04/2026

``names`` maps a column of the file to ``time``, ``date``, ``machine``, ``field``, ``crop``, a channel of
``schemas/channels.toml``, a setting of ``schemas/settings.toml``, or ``ignore`` (kept, but not read as a
channel). ``constants`` gives the same things for every row of the file; a text such as ``"360 in"`` is
converted; ``date`` helps a log that has times of day alone. Names of crops are those of
``schemas/crops.toml`` or the farm's own.
"""

from __future__ import annotations

import shlex
import tomllib
from collections.abc import Mapping
from datetime import datetime
from difflib import get_close_matches
from fnmatch import fnmatch
from functools import cache
from pathlib import Path, PurePosixPath
from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo

from chaffinch.pipelines.errors import DeclarationError
from chaffinch.pipelines.farm.stated_loads import LoadTicket
from chaffinch.schemas.declarations import channels, settings
from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    ValidationError,
    field_validator,
)

LOG_COLUMNS = ("time", "date", "machine", "field", "crop")
_UNIT_ENDINGS = ("_m_s", "_kg_s", "_l_h", "_pct", "_deg", "_m", "_s")
_OTHER_TABLES = (
    "setting", "from_value", "to_value", "unit", "note", "place", "machine_loss_kg_ha", "kernels", "sample_mass_g",
    "frame_area_m2", "frames", "thousand_kernel_mass_g", "discharge_width_m", "cut_width_m",
    "load_mass_kg", "start_time", "end_time", "ticket",
)  # fmt: skip


def _known_zone(name: str) -> str:
    try:
        ZoneInfo(name)
    except (KeyError, ValueError, OSError):
        raise ValueError(f"'{name}' is no time zone; write one such as Europe/Berlin or UTC") from None
    return name


TimeZone = Annotated[str, AfterValidator(_known_zone)]


class _Stated(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Machine(_Stated):
    """One combine: working width, diameters of drum and separation rotor [m], zone of its clock, names, crop.

    ``opening_per_step``: by setting, how far one step of the display moves it, in the catalogue's unit.
    """

    width_m: float | None = Field(default=None, gt=0, le=25)
    drum_diameter_m: float | None = Field(default=None, gt=0.1, le=2)
    rotor_diameter_m: float | None = Field(default=None, gt=0.1, le=2)
    time_zone: TimeZone | None = None
    aliases: tuple[str, ...] = ()
    crop: str | None = None
    opening_per_step: Mapping[str, Annotated[float, Field(gt=0)]] = Field(default_factory=dict)

    @field_validator("opening_per_step")
    @classmethod
    def _of_numbers(cls, value: Mapping[str, float]) -> Mapping[str, float]:
        numbers = [s.name for s in settings().values() if s.kind == "number"]
        for name in value:
            if name not in numbers:
                near = get_close_matches(name, numbers, n=1)
                hint = f"; did you mean '{near[0]}'" if near else ""
                raise ValueError(f"'{name}' is no setting with a number{hint}")
        return value


class CropOverride(_Stated):
    """Values that replace those of ``schemas/crops.toml`` for this farm.

    ``straw_cut_height_m``: the cutting height at which ``straw_per_grain`` was found.
    """

    market_moisture_pct: float | None = Field(default=None, gt=0, lt=30)
    bushel_mass_lb: float | None = Field(default=None, gt=10, lt=80)
    thousand_kernel_mass_g: float | None = Field(default=None, gt=0.5, lt=1000)
    straw_per_grain: float | None = Field(default=None, gt=0, lt=10)
    straw_cut_height_m: float | None = Field(default=None, ge=0, le=3)
    crop_height_m: float | None = Field(default=None, gt=0, le=5)


class Prices(_Stated):
    """Price per tonne by crop and of a machine hour, in ``currency`` (a text shown as it stands)."""

    currency: str = "EUR"
    per_t: Mapping[str, Annotated[float, Field(ge=0)]] = Field(default_factory=dict)
    machine_per_h: float | None = Field(default=None, gt=0)


class Thresholds(_Stated):
    """What pages call to attention: grain loss [% of grain] and share of rows set aside [%]."""

    loss_share_pct: float = Field(default=1.0, gt=0, lt=100)
    set_aside_pct: float = Field(default=5.0, gt=0, le=100)


class TaskData(_Stated):
    """Of ISO 11783-10 task data. ``people``: whether names of customer, farm and workers may enter tables."""

    people: bool = False


class Tell(_Stated):
    """Who gets the summary of each night: a command on its standard input, an address by POST, or nobody."""

    command: tuple[str, ...] = ()
    webhook: str | None = None
    when: Literal["always", "trouble"] = "always"

    @field_validator("command", mode="before")
    @classmethod
    def _words(cls, value: Any) -> Any:
        return tuple(shlex.split(value)) if isinstance(value, str) else value

    @field_validator("webhook")
    @classmethod
    def _web_address(cls, value: str | None) -> str | None:
        if value is not None and not value.lower().startswith(("http://", "https://")):
            raise ValueError(f"'{value}' is no address that begins with http:// or https://")
        return value


class Client(_Stated):
    """Shown on reports. ``logo``: path of a picture, relative to ``farm.toml``."""

    name: str = ""
    logo: str = ""
    notes: str = ""


@cache
def _targets() -> frozenset[str]:
    set_names = {name for s in settings().values() for name in (s.name, s.column)}
    return frozenset({*LOG_COLUMNS, *_OTHER_TABLES, *channels(), *set_names, "ignore"})


def _known_target(name: str) -> str:
    """``name``, or the channel that ``name`` lacks only the unit of (``working_width``)."""
    if name in _targets():
        return name
    for ending in _UNIT_ENDINGS:
        if name + ending in channels():
            return name + ending
    near = get_close_matches(name, sorted(_targets()), n=1)
    hint = f"; did you mean '{near[0]}'" if near else ""
    raise ValueError(f"'{name}' is neither a channel nor a setting{hint}")


class ColumnMeaning(_Stated):
    """What one column of an odd file is, and its unit where that is not the channel's own."""

    is_: Annotated[str, AfterValidator(_known_target)] = Field(alias="is")
    unit: str | None = None


class FileColumns(_Stated):
    """How to read the files that one pattern matches."""

    names: Mapping[str, ColumnMeaning] = Field(default_factory=dict)
    constants: Mapping[str, str | float] = Field(default_factory=dict)
    time_start: datetime | None = None
    time_zone: TimeZone | None = None
    time_format: str | None = None
    day_first: bool | None = None

    @field_validator("names", mode="before")
    @classmethod
    def _short_form(cls, value: Any) -> Any:
        if not isinstance(value, dict):
            return value
        return {column: {"is": m} if isinstance(m, str) else m for column, m in value.items()}

    @field_validator("constants")
    @classmethod
    def _known_constants(cls, value: Mapping[str, str | float]) -> Mapping[str, str | float]:
        return {_known_target(name): constant for name, constant in value.items()}


class Farm(_Stated):
    """Everything stated in ``farm.toml``; ``Farm()`` is the default of each entry."""

    units: Literal["metric", "us"] = "metric"
    time_zone: TimeZone | None = None
    client: Client = Client()
    machines: Mapping[str, Machine] = Field(default_factory=dict)
    crops: Mapping[str, CropOverride] = Field(default_factory=dict)
    prices: Prices = Prices()
    thresholds: Thresholds = Thresholds()
    task_data: TaskData = TaskData()
    tell: Tell = Tell()
    columns: Mapping[str, FileColumns] = Field(default_factory=dict)
    load_tickets: tuple[LoadTicket, ...] = ()

    @field_validator("load_tickets", mode="before")
    @classmethod
    def _one_table_each(cls, value: Any) -> Any:
        if not isinstance(value, (list, tuple)):
            raise ValueError("write each weighed load as a table of its own, under [[load_tickets]]")
        return value

    @field_validator("machines")
    @classmethod
    def _one_owner_per_name(cls, value: Mapping[str, Machine]) -> Mapping[str, Machine]:
        owner: dict[str, str] = {}
        for name, machine in value.items():
            for known in (name, *machine.aliases):
                other = owner.setdefault(known.casefold(), name)
                if other != name:
                    raise ValueError(f"'{known}' names both '{other}' and '{name}'; give it to one of them")
        return value

    def machine_aliases(self) -> dict[str, str]:
        """Every name a log may use, in lower case, to the machine's own name."""
        return {
            known.casefold(): name
            for name, machine in self.machines.items()
            for known in (name, *machine.aliases)
        }

    def columns_of(self, file: str) -> FileColumns:
        """The first entry of ``columns`` whose pattern matches the path or the bare name of ``file``."""
        bare = PurePosixPath(file).name
        for pattern, entry in self.columns.items():
            if any(fnmatch(name, pattern) for name in (file, bare, bare.removesuffix(".gz"))):
                return entry
        return FileColumns()

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

    def bushel_mass_lb(self, crop: str | None) -> float | None:
        """Mass of a bushel of ``crop`` [lb]: the farm's own, else the declared one, else None."""
        return self._of_crop("bushel_mass_lb", crop)

    def thousand_kernel_mass_g(self, crop: str | None) -> float | None:
        """Mass of 1000 kernels of ``crop`` [g]: the farm's own, else the declared one, else None."""
        return self._of_crop("thousand_kernel_mass_g", crop)

    def market_moisture_pct(self, crop: str | None) -> float | None:
        """Moisture at which ``crop`` is traded [%, wet basis]: the farm's own, else the declared one."""
        return self._of_crop("market_moisture_pct", crop)

    def _of_crop(self, value: str, crop: str | None) -> float | None:
        from chaffinch.schemas.declarations import crops

        for known in (self.crops.get(crop or ""), crops().get(crop or "")):
            found = getattr(known, value, None)
            if isinstance(found, (int, float)):
                return float(found)
        return None


def parse_farm(text: str, source: str = "farm.toml") -> Farm:
    """Read the text of a ``farm.toml``; ``source`` is its name in messages.

    Raises ``DeclarationError`` with one sentence: which file, which entry, what is wrong.
    """
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise DeclarationError(f"{source} is not valid TOML: {error}.") from None
    try:
        return Farm.model_validate(raw)
    except ValidationError as error:
        raise DeclarationError(f"{source}: {_fault(error)}.") from None


def load_farm(path: Path) -> Farm:
    """Read ``farm.toml`` at ``path``. Raises ``DeclarationError`` (see ``parse_farm``)."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError:
        raise DeclarationError(f"{path} is not UTF-8 text; save it as UTF-8.") from None
    except OSError as error:
        raise DeclarationError(f"{path} can't be read: {error.strerror}.") from None
    return parse_farm(text, str(path))


def _fault(error: ValidationError) -> str:
    """The first fault as "entry: what is wrong", with the nearest known entry for an unknown one."""
    first = error.errors()[0]
    path = [str(part) for part in first["loc"]]
    where = ".".join(path)
    if first["type"] != "extra_forbidden":
        if first["type"] == "model_type":
            return f"{where} must be a table with entries of its own, found {first['input']!r}"
        return f"{where}: {first['msg'].removeprefix('Value error, ')}"
    model = _model_at(path[:-1])
    near = get_close_matches(path[-1], list(model.model_fields), n=1) if model else []
    hint = f"; did you mean '{near[0]}'" if near else ""
    return f"{where} is no entry of farm.toml{hint}"


def _model_at(path: list[str]) -> type[BaseModel] | None:
    one: dict[str, type[BaseModel]] = {
        "client": Client,
        "prices": Prices,
        "thresholds": Thresholds,
        "tell": Tell,
    }
    many: dict[str, type[BaseModel]] = {"machines": Machine, "crops": CropOverride, "columns": FileColumns}
    many["load_tickets"] = LoadTicket
    one["task_data"] = TaskData
    if not path:
        return Farm
    if len(path) == 1:
        return one.get(path[0])
    return many.get(path[0]) if len(path) == 2 else None
