"""How far an adjustment moved a setting, in steps that mean the same wherever effects are shared."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from chaffinch.pipelines.agronomy.tip_speed import tip_speed_m_s
from chaffinch.schemas.declarations import settings

Diameters = Mapping[str, Mapping[str, float]]
"""Setting -> machine -> diameter [m] of the drum or rotor that the setting turns."""

Label = tuple[str, str | None, str | None, float | None]
"""What doses of one kind have in common: setting, positions of words (from, to), step of numbers."""


@dataclass(frozen=True, slots=True)
class Dose:
    """How far an adjustment moved a setting, in units that can be shared.

    amount : signed steps for numbers; +1 or -1 for words, lowest position first; 1 for a service.
    values : before and after, for numbers.
    """

    setting: str
    amount: float
    per_step: float | None
    unit: str | None
    from_value: str | None
    to_value: str | None
    values: tuple[float, float] | None = None

    @property
    def label(self) -> Label:
        return self.setting, self.from_value, self.to_value, self.per_step

    @property
    def midpoint(self) -> float:
        """Mean of the values before and after; NaN for words."""
        return sum(self.values) / 2 if self.values else float("nan")


def dose_of(adjustment: Mapping[str, Any]) -> Dose | None:
    """The dose of one adjustment; None where its size is unknown (a word without a number's other end)."""
    name, before, after = adjustment["setting"], adjustment["from_value"], adjustment["to_value"]
    declared = settings().get(name)
    if adjustment["kind"] == "service" or (declared is not None and declared.kind == "service"):
        return Dose(name, 1.0, None, None, None, None)
    by = adjustment.get("change")
    if by and declared is not None and declared.step:
        # A notebook that says "up 50": how far is known, from where is not.
        return Dose(name, by / declared.step, declared.step, declared.unit, None, None)
    if before is None or after is None:
        return None
    if declared is not None and declared.kind == "number" and declared.step:
        try:
            low, high = float(before), float(after)
        except ValueError:
            return None
        amount = (high - low) / declared.step
        return Dose(name, amount, declared.step, declared.unit, None, None, (low, high)) if amount else None
    order = {word: i for i, word in enumerate(declared.positions)} if declared is not None else {}
    rising = (order.get(before, 0), before) < (order.get(after, 0), after)
    low, high = (before, after) if rising else (after, before)
    return Dose(name, 1.0 if rising else -1.0, None, adjustment["unit"], low, high)


def at_the_tip(dose: Dose, diameter_m: float) -> Dose | None:
    """``dose`` of a rotational speed in tip-speed steps of the catalogue; None where the setting has no tip."""
    declared = settings().get(dose.setting)
    if declared is None or declared.tip_of is None or declared.step is None:
        return None
    steps = float(tip_speed_m_s(diameter_m, declared.step)) / declared.tip_step_m_s
    values = None
    if dose.values is not None:
        before, after = (float(tip_speed_m_s(diameter_m, value)) for value in dose.values)
        values = before, after
    step = declared.tip_step_m_s
    return replace(dose, amount=dose.amount * steps, per_step=step, unit="m/s", values=values)


def shared_by_tip(made: Iterable[tuple[str, str]], diameters_m: Diameters) -> dict[str, bool]:
    """Settings whose step is another tip speed on another machine: whether their doses can be shared by it.

    made : (setting, machine) of all adjustments. False where a diameter is not known. A setting made on one machine
    or on like diameters is not among them: there both measures are the same.
    """
    machines: dict[str, set[str]] = {}
    for setting, machine in made:
        machines.setdefault(setting, set()).add(machine)
    found = {}
    for setting, on in machines.items():
        declared, known = settings().get(setting), diameters_m.get(setting, {})
        if declared is None or declared.tip_of is None or declared.step is None or len(on) < 2:
            continue
        if not on <= known.keys():
            found[setting] = False
        elif len({known[machine] for machine in on}) > 1:
            found[setting] = True
    return found
