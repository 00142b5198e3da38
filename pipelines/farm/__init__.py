"""What the user may state about the farm: ``farm.toml``. Every entry is optional.

``example.toml`` in this folder shows the whole format.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from fnmatch import fnmatch
from pathlib import Path, PurePosixPath
from typing import Annotated, Any, Literal, TypeVar, get_args, get_origin

from chaffinch.pipelines.errors import DeclarationError, did_you_mean
from chaffinch.pipelines.farm.entries import (
    Client,
    CropOverride,
    FileColumns,
    Machine,
    Notify,
    Prices,
    SettingsLog,
    Stated,
    TaskData,
    Thresholds,
    TimeZone,
)
from chaffinch.pipelines.farm.stated_loads import LoadTicket
from chaffinch.schemas.declarations import crops, letters_and_digits, settings
from chaffinch.schemas.words.trade_words import crop_names
from pydantic import (
    AfterValidator,
    AliasChoices,
    BaseModel,
    BeforeValidator,
    Field,
    PrivateAttr,
    ValidationError,
)
from pydantic_core import ErrorDetails

MOST_FAULTS = 12
Entry = TypeVar("Entry")


def _without_what_nothing_reads(stated: Any) -> Any:
    """Farms of an older version may state ``loss_share_pct``."""
    return {k: v for k, v in stated.items() if k != "loss_share_pct"} if isinstance(stated, dict) else stated


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


class Farm(Stated):
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
