"""A weighed load as ``farm.toml`` states it."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from chaffinch.schemas.units import UnitError, conversion
from pydantic import BaseModel, ConfigDict, Field, model_validator


def _kilograms(mass: object) -> float:
    """The mass [kg] in a text with its unit. Raises ``ValueError``."""
    number, _, unit = str(mass).strip().partition(" ")
    if not unit:
        raise ValueError(f'mass = {mass!r} names no unit; write it such as "9.84 t"')
    try:
        return float(number) * conversion(unit, "kg").scale
    except (UnitError, ValueError) as error:
        raise ValueError(f'mass = {mass!r}: {error}; write it such as "9.84 t"') from None


class LoadTicket(BaseModel):
    """A load that was weighed: machine, from when to when it was cut, net mass [kg], moisture [%] if known."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    machine: str
    from_: datetime = Field(alias="from")
    to: datetime
    mass_kg: float = Field(gt=0, le=100_000)
    moisture_pct: float | None = Field(default=None, ge=0, le=60)
    crop: str | None = None
    field: str | None = None
    ticket: str | None = None

    @model_validator(mode="before")
    @classmethod
    def _in_other_units(cls, value: Any) -> Any:
        """``mass = "9.84 t"``, ``mass_t``, ``mass_lb`` and ``moisture``, as people write them."""
        if not isinstance(value, dict):
            return value
        entries = {("moisture_pct" if name == "moisture" else name): entry for name, entry in value.items()}
        for name, unit in (("mass_t", "t"), ("mass_lb", "lb")):
            if name in entries:
                entries["mass"] = f"{entries.pop(name)} {unit}"
        if "mass" in entries:
            entries["mass_kg"] = _kilograms(entries.pop("mass"))
        return entries

    @model_validator(mode="after")
    def _forwards(self) -> LoadTicket:
        if (self.from_.tzinfo is None) != (self.to.tzinfo is None):
            raise ValueError("give both 'from' and 'to' with an offset, or neither")
        if self.to <= self.from_:
            raise ValueError(f"it ends at {self.to:%Y-%m-%d %H:%M}, not after it begins")
        return self
