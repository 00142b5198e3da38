"""The one loader of the declared knowledge.

Every function reads its TOML file once and returns a mapping in declared order. A bad declaration fails with
one sentence: which file, which entry, what is wrong.
"""

from __future__ import annotations

import csv
import tomllib
import unicodedata
from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from types import MappingProxyType
from typing import Any, Literal, TypeVar

from chaffinch.pipelines.errors import DeclarationError
from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

# Units at the end of a name, longer ones first.
UNIT_ENDINGS = ("_kg_ha", "_kg_s", "_l_h", "_m_s", "_pct", "_deg", "_kg", "_m2", "_m", "_s", "_g")
# Words for positions that people use alike.
_SAME_POSITION = {
    "open": ("opened", "open"),
    "closed": ("close", "shut", "closed"),
    "on": ("on", "1", "true", "yes", "engaged", "active"),
    "off": ("off", "0", "false", "no", "disengaged", "inactive"),
    "low": ("low", "lo", "slow"),
    "high": ("high", "hi", "fast"),
}


# Letters that no accent makes of another one.
_PLAIN_LETTERS = str.maketrans({"ł": "l", "ø": "o", "æ": "ae", "đ": "d", "œ": "oe", "ё": "е", "ґ": "г"})


def letters_and_digits(name: str) -> str:
    """``name`` as names are compared: lower case, letters and digits only, without accents."""
    lower = name.casefold()
    if not lower.isascii():
        lower = unicodedata.normalize("NFKD", lower.translate(_PLAIN_LETTERS))
    return "".join(character for character in lower if character.isalnum())


def without_unit(name: str) -> str:
    """``name`` without the unit at its end: ``speed_m_s`` is ``speed``."""
    return next((name.removesuffix(ending) for ending in UNIT_ENDINGS if name.endswith(ending)), name)


class _Declared(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)
    name: str = Field(pattern=r"^[a-z][a-z0-9_]*$")


class _Labelled(_Declared):
    """Something with a ``label`` for people: its name, where none is declared."""

    label: str

    @model_validator(mode="before")
    @classmethod
    def _label_from_name(cls, entry: dict[str, Any]) -> dict[str, Any]:
        return {"label": entry["name"].replace("_", " ").capitalize()} | entry


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
Sign = Literal["+", "-", "0", "optimum"]
Stage = Literal["feeding", "threshing", "separation", "cleaning", "residue", "grain_tank"]


class Setting(_Labelled):
    """Something the operator adjusts.

    ``column`` is the canonical column of a harvest log that carries it (name + unit, e.g. ``fan_speed_rpm``);
    ``step`` the usual single adjustment in ``unit`` (numbers only); ``positions`` the words of an ordered or
    either-or setting, lowest first; ``same_as`` other words for a position. ``low`` and ``high`` bound what
    is plausible, ``largest_jump`` what one adjustment changes (numbers, in ``unit``). ``tip_of``: a rotational
    speed that acts at the tip of the drum or rotor, so that machines of different diameter compare by tip
    speed, in steps of ``tip_step_m_s``. ``moves_gain_of``: losses whose sensors it makes more or less sensitive.

    ``expected`` maps an outcome to the sign that increasing the setting (or moving it towards its last
    position, or doing the service) has in common practice: ``+``, ``-``, ``0`` or ``optimum``; losses at the
    same feed rate. ``source_of`` says where a sign is from, ``optimum`` where the best lies in between.
    ``usual`` maps a crop to its common position or positions, joined by " or "; ``usual_note`` says when
    something else is common.
    """

    kind: SettingKind
    stage: Stage
    unit: str = ""
    step: float | None = Field(default=None, gt=0)
    low: float | None = None
    high: float | None = None
    largest_jump: float | None = Field(default=None, gt=0)
    tip_of: Literal["drum", "rotor"] | None = None
    tip_step_m_s: float = Field(default=1.0, gt=0)
    moves_gain_of: tuple[Literal["separation_loss", "cleaning_loss"], ...] = ()
    positions: tuple[str, ...] = ()
    same_as: Mapping[str, tuple[str, ...]] = Field(default_factory=dict)
    synonyms: tuple[str, ...] = ()
    does: str
    expected: Mapping[str, Sign] = Field(default_factory=dict)
    expected_source: str = ""
    sources: Mapping[str, str] = Field(default_factory=dict)
    usual: Mapping[str, str] = Field(default_factory=dict)
    usual_source: str = ""
    usual_note: str = ""
    optimum: str = ""
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
        if self.tip_of is not None and self.unit != "rpm":
            raise ValueError("only a speed in rpm has a tip speed")
        if self.unit and self.unit not in UNIT_SUFFIX:
            raise ValueError(f"unit '{self.unit}' is not one of {', '.join(UNIT_SUFFIX)}")
        if self.low is not None and self.high is not None and not self.low < self.high:
            raise ValueError(f"low {self.low:g} must be below high {self.high:g}")
        if self.expected and not self.expected_source:
            raise ValueError("an expectation needs its source, or 'common practice, no source'")
        if "optimum" in self.expected.values() and not self.optimum:
            raise ValueError("an expectation of an optimum needs to say where it lies")
        if self.usual and not self.usual_source:
            raise ValueError("a usual position needs its source, or 'common practice, no source'")
        return self

    @model_validator(mode="after")
    def _words_known(self) -> Setting:
        for outcome in self.expected:
            if outcome not in OUTCOMES:
                raise ValueError(f"'{outcome}' is not an outcome; outcomes are {', '.join(OUTCOMES)}")
        for outcome in self.sources:
            if outcome not in self.expected:
                raise ValueError(f"a source is given for '{outcome}', which has no expected sign")
        owner: dict[str, str] = {}
        for position in self.same_as:
            if position not in self.positions:
                raise ValueError(f"same_as names '{position}', which is not one of the positions")
        for position in self.positions:
            for word in (position, *self.same_as.get(position, ())):
                if owner.setdefault(letters_and_digits(word), position) != position:
                    raise ValueError(
                        f"'{word}' stands for both '{owner[letters_and_digits(word)]}' and '{position}'"
                    )
        for crop, words in self.usual.items():
            for word in words.split(" or "):
                if word not in self.positions:
                    raise ValueError(f"usual position '{word}' in {crop} is not one of the positions")
        return self

    @property
    def column(self) -> str:
        """Canonical column name in ``readings``: the name with its unit, e.g. ``fan_speed_rpm``."""
        return f"{self.name}_{UNIT_SUFFIX[self.unit]}" if self.unit else self.name

    def position(self, word: str) -> str | None:
        """The position that ``word`` stands for, whatever its case and spacing; None if for none."""
        wanted = letters_and_digits(word)
        for others in (self.same_as, _SAME_POSITION):
            for position in self.positions:
                if wanted in map(letters_and_digits, (position, *others.get(position, ()))):
                    return position
        return None

    def allows(self, number: float) -> bool:
        """Whether a number is within what is plausible."""
        low, high = self.low, self.high
        return (low is None or number >= low) and (high is None or number <= high)

    def usual_positions(self, crop: str) -> tuple[str, ...]:
        """Common positions in ``crop``; empty where common practice is not declared."""
        return tuple(self.usual[crop].split(" or ")) if crop in self.usual else ()

    def sign_of(self, outcome: str) -> Sign | None:
        """The expected sign of ``outcome``; None where nothing is declared.

        Machine loss is separation and cleaning loss together: where it has no sign of its own it has that of
        both, or of the one that the setting moves.
        """
        if outcome != "machine_loss" or outcome in self.expected:
            return self.expected.get(outcome)
        parts = {self.expected.get("separation_loss"), self.expected.get("cleaning_loss")}
        moved = parts - {"0"}
        if None in parts or len(moved) > 1:
            return None
        return moved.pop() if moved else "0"

    def source_of(self, outcome: str) -> str:
        """Where the expected sign of ``outcome`` is from."""
        return self.sources.get(outcome, self.expected_source)


OUTCOMES = (
    "separation_loss",
    "cleaning_loss",
    "machine_loss",
    "throughput",
    "capacity",
    "broken_grain",
    "non_grain",
    "returns",
    "fuel_per_tonne",
)
UNIT_SUFFIX = {"rpm": "rpm", "mm": "mm", "m": "m", "deg": "deg", "%": "pct", "m/s": "m_s", "turn": "turns"}


# Machine loss at which a capacity is stated unless the crop says otherwise. 1 % for cereals, corn and soybean:
# common practice; ISO 8210 tests harvest capacity at a stated loss share (its table of levels: from memory).
USUAL_REFERENCE_LOSS_PCT = 1.0


class Crop(_Labelled):
    """A crop: masses, moistures and plausible limits, each with its source; null where no source was found.

    Market moisture in % wet basis; ``straw_per_grain`` is material other than grain per grain by mass; yields
    in t/ha at market moisture, of a whole field; tip speeds are the usual ones of the threshing drum, m/s.
    ``reference_loss_pct`` is the machine loss at which capacity is stated, % of the grain. Declared is each
    number with its source; ``sources`` holds the latter.
    """

    market_moisture_pct: float | None = Field(default=None, gt=0, lt=30)
    bushel_mass_lb: float | None = Field(default=None, gt=10, lt=80)
    thousand_kernel_mass_g: float | None = Field(default=None, gt=0.5, lt=1000)
    straw_per_grain: float | None = Field(default=None, gt=0, lt=10)
    yield_low_t_ha: float | None = Field(default=None, ge=0)
    yield_high_t_ha: float | None = Field(default=None, gt=0, lt=60)
    tip_speed_low_m_s: float | None = Field(default=None, gt=0)
    tip_speed_high_m_s: float | None = Field(default=None, gt=0, lt=60)
    reference_loss_pct: float | None = Field(default=None, gt=0, lt=20)
    sources: Mapping[str, str] = Field(default_factory=dict)
    synonyms: tuple[str, ...] = ()

    @model_validator(mode="before")
    @classmethod
    def _numbers_and_sources(cls, entry: dict[str, Any]) -> dict[str, Any]:
        numbers = [name for name, field in cls.model_fields.items() if field.annotation == (float | None)]
        given = {name: entry[name] for name in numbers if name in entry}
        for name, pair in given.items():
            if not isinstance(pair, list) or len(pair) != 2 or not pair[1]:
                raise ValueError(f"{name} needs its source: [number, source], where need be 'from memory'")
        sources = {name: source for name, (_, source) in given.items()}
        return entry | {name: number for name, (number, _) in given.items()} | {"sources": sources}

    @model_validator(mode="after")
    def _whole(self) -> Crop:
        for low, high in (("yield_low_t_ha", "yield_high_t_ha"), ("tip_speed_low_m_s", "tip_speed_high_m_s")):
            least, most = getattr(self, low), getattr(self, high)
            if least is not None and most is not None and not least < most:
                raise ValueError(f"{low} {least:g} must be below {high} {most:g}")
        return self


class Combination(_Declared):
    """Positions that should not be logged together.

    Holds where every setting of ``when`` stands in the position given, or where the first of ``exceeds`` is
    above the second. ``forbidden``: the machine stops itself; ``unlikely``: a slip of the log is likelier.
    """

    kind: Literal["forbidden", "unlikely"]
    when: Mapping[str, str] = Field(default_factory=dict)
    exceeds: tuple[str, ...] = ()
    sentence: str
    source: str

    @model_validator(mode="after")
    def _whole(self) -> Combination:
        if bool(self.when) == bool(self.exceeds):
            raise ValueError("give either when or exceeds")
        if self.exceeds and len(self.exceeds) != 2:
            raise ValueError("exceeds names two settings, the first above the second")
        for setting in (*self.when, *self.exceeds):
            if setting not in settings():
                raise ValueError(f"'{setting}' is not a setting of settings.toml")
        for setting, position in self.when.items():
            if position not in settings()[setting].positions:
                raise ValueError(f"'{position}' is not a position of {setting}")
        for setting in self.exceeds:
            if settings()[setting].kind != "number":
                raise ValueError(f"{setting} is not a number, so nothing exceeds it")
        return self


class TableColumn(_Declared):
    """A column of a table that is neither a channel nor a setting: time, machine, number of kernels.

    ``only_in_load_tickets``: an everyday word that means something in a list of loads and nothing in a log.
    """

    unit: str = ""
    synonyms: tuple[str, ...] = ()
    only_in_load_tickets: bool = False


class Reason(_Declared):
    """A short code with the plain sentence shown to people. ``about``: what the code may be attached to."""

    sentence: str
    about: Literal["row", "reading", "effect"]


D = TypeVar("D", bound=_Declared)


def parse(text: str, source: str, kind: type[D]) -> Mapping[str, D]:
    """Check the TOML ``text`` of ``source`` as a mapping of name to ``kind``.

    Raises ``DeclarationError`` with one sentence naming file, entry and fault.
    """
    try:
        return _checked(tomllib.loads(text), source, kind)
    except tomllib.TOMLDecodeError as error:
        raise DeclarationError(f"{source} is not valid TOML: {error}.") from None


def _checked(raw: Mapping[str, object], source: str, kind: type[D]) -> Mapping[str, D]:
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


def declared_text(file: str) -> str:
    """The text of ``file`` in this folder or below."""
    return files("chaffinch.schemas").joinpath(file).read_text(encoding="utf-8")


def declared_rows(file: str) -> list[dict[str, str]]:
    """The rows of the CSV ``file`` in this folder or below."""
    return list(csv.DictReader(declared_text(file).splitlines()))


def load_declared(file: str, kind: type[D]) -> Mapping[str, D]:
    """The declarations in ``file`` of this folder. Raises ``DeclarationError``."""
    return parse(declared_text(file), f"schemas/{file}", kind)


@cache
def channels() -> Mapping[str, Channel]:
    """Channels by canonical name, in the order of the columns of ``readings``."""
    return load_declared("channels.toml", Channel)


@cache
def settings() -> Mapping[str, Setting]:
    """The settings catalogue by name, front of the machine first."""
    return load_declared("settings.toml", Setting)


@cache
def crops() -> Mapping[str, Crop]:
    """Crops by name."""
    return load_declared("crops.toml", Crop)


def reference_loss_share(crop: str | None) -> float:
    """Share of the grain at which the capacity of a crop is stated."""
    known = crops().get(crop or "")
    return ((known.reference_loss_pct if known else None) or USUAL_REFERENCE_LOSS_PCT) / 100


@cache
def table_columns() -> Mapping[str, TableColumn]:
    """Columns of tables that are neither channels nor settings, by canonical name."""
    return load_declared("table_columns.toml", TableColumn)


@cache
def reasons() -> Mapping[str, Reason]:
    """Reason codes by name, each with the plain sentence shown to people."""
    sentences = [
        (code, {"about": about, "sentence": sentence})
        for about, group in tomllib.loads(declared_text("reasons.toml")).items()
        for code, sentence in group.items()
    ]
    return _checked(dict(sentences), "schemas/reasons.toml", Reason)


@cache
def combinations() -> Mapping[str, Combination]:
    """Combinations of positions that a log should not show, by name."""
    return load_declared("unlikely.toml", Combination)


def index_of_names(named: Mapping[str, tuple[str, ...]], source: str) -> Mapping[str, str]:
    """Every name, as ``letters_and_digits`` writes it, to what it names; ``named`` maps each thing to its names.

    Raises ``DeclarationError`` where two things share a name.
    """
    owner: dict[str, str] = {}
    for thing, names in named.items():
        for name in (thing, *names):
            other = owner.setdefault(letters_and_digits(name), thing)
            if other != thing:
                raise DeclarationError(f"{source}: '{name}' names both '{other}' and '{thing}'.")
    return MappingProxyType(owner)


@cache
def column_names() -> Mapping[str, str]:
    """Names, labels and synonyms, as ``letters_and_digits`` writes them, to the name of channel or setting."""
    named = {c.name: c.synonyms for c in channels().values()}
    named |= {s.name: (s.column, s.label, *s.synonyms) for s in settings().values()}
    return index_of_names(named, "schemas/channels.toml and schemas/settings.toml")
