"""The one loader of the declared knowledge.

Every function reads its TOML file once and returns a mapping in declared order. A bad declaration fails with
one sentence: which file, which entry, what is wrong.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from types import MappingProxyType
from typing import Literal, TypeVar

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from chaffinch.pipelines.errors import DeclarationError


class _Declared(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)
    name: str = Field(pattern=r"^[a-z][a-z0-9_]*$")


class Channel(_Declared):
    """A measured column of a harvest log. ``low`` and ``high`` are in ``unit``; outside is impossible."""

    unit: str
    meaning: str
    low: float
    high: float
    synonyms: tuple[str, ...] = ()

    @model_validator(mode="after")
    def _ordered(self) -> Channel:
        if not self.low < self.high:
            raise ValueError(f"low {self.low} must be below high {self.high}")
        return self


SettingKind = Literal["number", "ordered", "either_or", "service"]
Stage = Literal["feeding", "threshing", "separation", "cleaning", "residue", "grain_tank"]


class Setting(_Declared):
    """Something the operator adjusts.

    ``column`` is the canonical column of a harvest log that carries it (name + unit, e.g. ``fan_speed_rpm``);
    ``step`` the usual single adjustment in ``unit`` (numbers only); ``positions`` the words of an ordered or
    either-or setting, lowest first. ``expected`` maps an outcome to the sign that increasing the setting has
    in common practice: ``+``, ``-``, ``0`` or ``optimum``; ``expected_source`` says where that is from.
    """

    label: str
    kind: SettingKind
    stage: Stage
    unit: str = ""
    step: float | None = None
    low: float | None = None
    high: float | None = None
    positions: tuple[str, ...] = ()
    synonyms: tuple[str, ...] = ()
    does: str
    expected: Mapping[str, Literal["+", "-", "0", "optimum"]] = Field(default_factory=dict)
    expected_source: str = ""
    usual: Mapping[str, str] = Field(default_factory=dict)
    usual_source: str = ""
    costs: str = ""
    caution: str = ""

    @model_validator(mode="after")
    def _whole(self) -> Setting:
        if self.kind == "number" and self.step is None:
            raise ValueError("a number needs its usual step")
        if self.kind in ("ordered", "either_or") and len(self.positions) < 2:
            raise ValueError("an ordered or either-or setting needs its positions, lowest first")
        if self.kind == "either_or" and len(self.positions) != 2:
            raise ValueError("an either-or setting has exactly two positions")
        if self.expected and not self.expected_source:
            raise ValueError("an expectation needs its source, or 'common practice, no source'")
        if self.usual and not self.usual_source:
            raise ValueError("a usual position needs its source, or 'common practice, no source'")
        return self

    @property
    def column(self) -> str:
        """Canonical column name in ``readings``: the name with its unit, e.g. ``fan_speed_rpm``."""
        return f"{self.name}_{UNIT_SUFFIX[self.unit]}" if self.unit else self.name


UNIT_SUFFIX = {"rpm": "rpm", "mm": "mm", "m": "m", "deg": "deg", "%": "pct", "m/s": "m_s", "turn": "turns"}


class Crop(_Declared):
    """A crop: masses and moistures with the source of each; null where no source was found."""

    label: str
    market_moisture_pct: float = Field(gt=0, lt=30)
    bushel_mass_lb: float | None = Field(default=None, gt=10, lt=80)
    thousand_kernel_mass_g: float | None = Field(default=None, gt=0.5, lt=1000)
    straw_per_grain: float | None = None
    yield_low_t_ha: float | None = None
    yield_high_t_ha: float | None = None
    source: str
    synonyms: tuple[str, ...] = ()


class Reason(_Declared):
    """A short code with the plain sentence shown to people. ``about``: what the code may be attached to."""

    sentence: str
    about: Literal["row", "reading", "effect", "delivery"]


D = TypeVar("D", bound=_Declared)


def parse(text: str, source: str, kind: type[D]) -> Mapping[str, D]:
    """Check the TOML ``text`` of ``source`` as a mapping of name to ``kind``.

    Raises ``DeclarationError`` with one sentence naming file, entry and fault.
    """
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise DeclarationError(f"{source} is not valid TOML: {error}.") from None
    declared: dict[str, D] = {}
    for name, entry in raw.items():
        if not isinstance(entry, dict):
            raise DeclarationError(f"{source}: '{name}' must be a table [{name}], found {entry!r}.")
        try:
            declared[name] = kind(name=name, **entry)
        except ValidationError as error:
            first = error.errors()[0]
            where = ".".join(str(part) for part in first["loc"])
            what = first["msg"].removeprefix("Value error, ")
            raise DeclarationError(f"{source}: [{name}]{' ' + where if where else ''}: {what}.") from None
    return MappingProxyType(declared)


def _load(file: str, kind: type[D]) -> Mapping[str, D]:
    return parse(files("chaffinch.schemas").joinpath(file).read_text(encoding="utf-8"), f"schemas/{file}", kind)


@cache
def channels() -> Mapping[str, Channel]:
    """Channels by canonical name, in the order of the columns of ``readings``."""
    return _load("channels.toml", Channel)


@cache
def settings() -> Mapping[str, Setting]:
    """The settings catalogue by name, front of the machine first."""
    return _load("settings.toml", Setting)


@cache
def crops() -> Mapping[str, Crop]:
    """Crops by name."""
    return _load("crops.toml", Crop)


@cache
def reasons() -> Mapping[str, Reason]:
    """Reason codes by name, each with the plain sentence shown to people."""
    return _load("reasons.toml", Reason)
