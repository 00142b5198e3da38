"""Rows of ``responses`` from draws of one outcome: each setting's curve against the value in use, and its best."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import Any

import numpy as np
from chaffinch.pipelines.agronomy.exact import ENDS_95
from chaffinch.pipelines.agronomy.tip_speed import speed_rpm, tip_speed_m_s
from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.estimate.data.bins import Binned
from chaffinch.pipelines.estimate.data.changes import made_at
from chaffinch.pipelines.estimate.data.doses import Diameters, Dose, Label
from chaffinch.pipelines.estimate.responses.response_draws import Draws, bent
from chaffinch.pipelines.estimate.results.shared_changes import LevelOf, Used
from chaffinch.schemas.declarations import settings
from chaffinch.schemas.tables import HIGHER_IS_BETTER

Row = dict[str, Any]
InUse = Mapping[tuple[str, str, str | None], float]

# A curve is drawn in at least so many steps, and at most in two and a half times as many.
FEWEST_STEPS = 4


@dataclass(frozen=True, slots=True)
class NumericSetting:
    """A numeric setting tried. z = (x - middle) / step. at : its column of u1. bend : that of u2; u3, u4 follow."""

    label: Label
    unit: str | None
    at: int
    bend: int
    middle: float
    step: float

    def z(self, x: Array | float) -> Any:
        return (np.asarray(x) - self.middle) / self.step

    def columns(self, x: Array) -> Array:
        """Columns of u1 and u2 at values (v,), shape (v, 2)."""
        z = self.z(x)
        return np.column_stack([z, bent(0.0, z)])


def values_in_use(fields: Sequence[Binned]) -> dict[tuple[str, str, str | None], float]:
    """The value of each numeric setting after its last change, by setting, machine and crop.

    A change by so much from a value not stated counts from the last one known.
    """
    made = [
        (when, (row["setting"], binned.machine, binned.crop), row)
        for binned in fields
        for change in binned.changes
        for when, row in zip(made_at(change.rows), change.rows.iter_rows(named=True), strict=True)
    ]
    last: dict[tuple[str, str, str | None], float] = {}
    for _, key, row in sorted(made, key=lambda one: one[0]):
        if (by := row.get("change")) is not None:
            if key in last:
                last[key] += by
            continue
        with suppress(TypeError, ValueError):
            last[key] = float(row["to_value"])
    return last


@dataclass(frozen=True, slots=True)
class CurveRows:
    """Makes the rows of one outcome. whole : whether curves of all machines together are asked for."""

    outcome: str
    used: Sequence[Used]
    draws: Draws
    in_use: InUse
    diameters_m: Diameters
    level_of: LevelOf
    whole: bool = True

    def of(self, number: NumericSetting) -> Iterator[Row]:
        made = [
            (u, dose)
            for u in self.used
            for dose in u.doses
            if dose.label == number.label and dose.values is not None
        ]
        for crop in sorted({u.of.binned.crop for u, _ in made}, key=lambda c: (c is None, c or "")):
            c = self.draws.crop_names.index(crop)
            of_crop = [(u, dose) for u, dose in made if u.of.binned.crop == crop]
            if self.whole:
                yield from self._curve(number, None, crop, of_crop, self.draws.seasons[:, c])
            for machine in sorted({u.of.binned.machine for u, _ in of_crop}):
                mine = [(u, dose) for u, dose in of_crop if u.of.binned.machine == machine]
                m = self.draws.machine_names.index(machine)
                yield from self._curve(number, machine, crop, mine, self.draws.machines[:, m, c])

    def _curve(
        self,
        number: NumericSetting,
        machine: str | None,
        crop: str | None,
        made: Sequence[tuple[Used, Dose]],
        drawn: Array,
    ) -> Iterator[Row]:
        """drawn : (d, s), draws of u."""
        setting = number.label[0]
        tried = [value for _, dose in made for value in dose.values or ()]
        on = {u.of.binned.machine for u, _ in made}
        present = float(np.clip(self._present(number, on, crop, tried), min(tried), max(tried)))
        diameter_m = self._tip_diameter_m(number, machine)
        # In the unit that is set on the machine, so that even values are even there.
        shown = curve_values(sorted({_as_set(value, diameter_m) for value in (*tried, present)}))
        grid = shown if diameter_m is None else np.asarray(tip_speed_m_s(diameter_m, shown))
        curve = drawn[:, [number.at, number.bend]] @ number.columns(grid).T
        here = drawn[:, [number.at, number.bend]] @ number.columns(np.array([present])).T
        ratio = curve - here
        gain = ratio if self.outcome in HIGHER_IS_BETTER else -ratio
        best = gain.max(axis=1, keepdims=True)
        chance = np.bincount(gain.argmax(axis=1), minlength=grid.size) / len(gain)
        low, high = np.quantile(ratio, ENDS_95, axis=0)
        absolute = self._absolute(number, made, drawn, here[:, 0], ratio)
        for i, value in enumerate(grid):
            yield {
                "machine": machine,
                "crop": crop,
                "setting": setting,
                "unit": settings()[setting].unit if diameter_m else number.unit,
                "outcome": self.outcome,
                "value": float(shown[i]),
                "value_in_use": _as_set(present, diameter_m),
                "tried": int(np.isclose(tried, value).any()),
                "log_ratio": float(ratio[:, i].mean()),
                "log_ratio_low": float(low[i]),
                "log_ratio_high": float(high[i]),
                "absolute": absolute[0][i] if absolute else None,
                "absolute_low": absolute[1][i] if absolute else None,
                "absolute_high": absolute[2][i] if absolute else None,
                "chance_best": float(chance[i]),
                "expected_regret": float((best[:, 0] - gain[:, i]).mean()),
                "adjustments_pooled": len(made),
            }

    def _tip_diameter_m(self, number: NumericSetting, machine: str | None) -> float | None:
        """Diameter by which tip speeds become the rotational speeds of one machine; None where not needed."""
        setting, step = number.label[0], number.label[3]
        if machine is None or step == settings()[setting].step:
            return None
        return self.diameters_m[setting][machine]

    def _present(
        self, number: NumericSetting, on: set[str], crop: str | None, tried: Sequence[float]
    ) -> float:
        """The value in use, in the unit of the curve; the median one of several machines."""
        setting, step = number.label[0], number.label[3]
        values = []
        for machine in sorted(on):
            value = self.in_use.get((setting, machine, crop))
            if value is not None and step != settings()[setting].step:
                value = float(tip_speed_m_s(self.diameters_m[setting][machine], value))
            if value is not None:
                values.append(value)
        ordered = sorted(values or [tried[-1]])
        return ordered[(len(ordered) - 1) // 2]

    def _absolute(
        self,
        number: NumericSetting,
        made: Sequence[tuple[Used, Dose]],
        drawn: Array,
        here: Array,
        ratio: Array,
    ) -> tuple[list[float], list[float], list[float]] | None:
        """Loss in kg/ha against the value in use, with its 95 % range; None where no loss check weighs the signals.

        The loss at the value in use is the mean over the changes of the loss before them, moved along the curve. The
        error of a machine's calibration is common to its changes.
        """
        if self.outcome != "machine_loss":
            return None
        rng = np.random.default_rng(len(made))
        errors: dict[str, Array] = {}
        at_present = []
        for u, dose in made:
            level = self.level_of(u.of, u.k)
            if level is None or dose.values is None:
                continue
            if level.machine not in errors:
                errors[level.machine] = rng.standard_normal(len(drawn))
            before = drawn[:, [number.at, number.bend]] @ number.columns(np.array([dose.values[0]])).T
            moved = here - before[:, 0]
            at_present.append(level.kg_ha * np.exp(moved + level.error * errors[level.machine]))
        if not at_present:
            return None
        level_here = np.mean(at_present, axis=0)
        change = level_here[:, None] * np.expm1(ratio)
        low, high = np.quantile(change, ENDS_95, axis=0)
        middle = float(np.median(level_here)) * np.expm1(ratio.mean(axis=0))
        return list(map(float, middle)), list(map(float, low)), list(map(float, high))


def _as_set(value: float, diameter_m: float | None) -> float:
    """A value of the curve as it is set on the machine: a tip speed on a drum of that diameter in rpm."""
    return value if diameter_m is None else round(float(speed_rpm(value, diameter_m)), 6)


def curve_values(values: Sequence[float]) -> Array:
    """Values from the least to the greatest of ``values``, these among them, an even 1, 2 or 5 x 10^k apart."""
    low, high = values[0], values[-1]
    most = (high - low) / FEWEST_STEPS
    power = 10.0 ** np.floor(np.log10(most))
    apart = power * max(nice for nice in (1, 2, 5) if nice * power <= most * (1 + 1e-9))
    even = low + apart * np.arange(int((high - low) / apart + 1e-9) + 1)
    # Values so close to one tried that nobody sets them apart are that one.
    far = np.abs(even[:, None] - np.asarray(values)).min(axis=1) > 0.4 * apart
    return np.unique(np.concatenate([even[far], values]))
