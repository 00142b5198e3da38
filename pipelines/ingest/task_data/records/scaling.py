"""From the raw integer of a log to a physical value: by the dictionary or by the device's own presentation.

Both are whole readings of one integer, alternatives, never to be multiplied: the dictionary's resolution in
the dictionary's unit, or (raw + offset) x scale in the unit that the device writes. They mostly agree; where
they do not, the one whose values lie where such values usually lie is used, and the choice is on record.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from chaffinch.pipelines.array_types import Array, RawInts
from chaffinch.pipelines.ingest.task_data.files.dictionary import Identifier
from chaffinch.pipelines.ingest.task_data.files.task_objects import Presentation
from chaffinch.schemas.units import Unit, UnitError, conversion, device_unit

NO_VALUE = (2**31 - 1, -(2**31), -(2**31) + 1)
AGREE = 0.01
SAMPLE = 20_000


@dataclass(frozen=True, slots=True)
class Scale:
    """Physical value = raw x ``step`` + ``shift``, in ``unit``. ``source``: dictionary, device, or raw."""

    step: float
    shift: float
    unit: str
    source: str
    note: str | None = None

    def apply(self, raw: Array) -> Array:
        # Dividing by a whole number rounds correctly where multiplying by its inverse does not: 142,000 ppm
        # are 14.2 % and not 14.200000000000001 %.
        inverse = round(1 / self.step) if self.step > 0 else 0
        if inverse > 1 and abs(inverse * self.step - 1) < 1e-12:
            return raw / inverse + self.shift
        return raw * self.step + self.shift

    def apply_to_set_value(self, raw: Array) -> Array:
        """As ``apply``, but the whole number that a raw step represents where there is one.

        A fan set to 1100 r/min is 18.333 turns a second in steps of a thousandth, which reads 1099.98.
        """
        values = self.apply(raw)
        whole = np.round(values)
        return np.where(np.abs(values - whole) <= self.step / 2, whole, values)


def plain_numbers(raw: RawInts, entry: Identifier | None) -> Array:
    """Raw values as numbers; NaN for the values that mean "missing" (all ones, and -1 of a state)."""
    if entry is not None and entry.unsigned:
        return raw.view(np.uint32).astype(np.float64)
    numbers = raw.astype(np.float64)
    numbers[np.isin(raw, NO_VALUE)] = np.nan
    if entry is not None and entry.kind == "state":
        numbers[raw == -1] = np.nan
    return numbers


def choose(
    entry: Identifier | None, shown: Presentation | None, target_unit: str | None, raw: Array
) -> Scale | None:
    """How to read ``raw`` in ``target_unit`` (None: in the unit of the source). None: neither is plausible.

    Examples of the two ways agreeing: identifier 397 [mm/s] and scale 0.0036 km/h; 87 [mg/s] and
    0.0000036 t/h. Of disagreeing: identifier 484 with scale 0.000016667 1/min, where only the device's own
    reading gives an engine speed.
    """
    own = _by_dictionary(entry, target_unit)
    device = _by_device(shown, target_unit if entry is None else target_unit or entry.unit, entry is None)
    sample = _moving(raw)
    if own is None or device is None:
        single = own or device or (Scale(1.0, 0.0, "", "raw") if target_unit is None else None)
        return None if target_unit is not None and _absurd(entry, single, sample) else single
    if not len(sample):
        return own
    first, second = np.median(np.abs(own.apply(sample))), np.median(np.abs(device.apply(sample)))
    if abs(first - second) <= AGREE * max(first, second):
        return own
    return _plausible(entry, own, device, float(first), float(second))


def _absurd(entry: Identifier | None, scale: Scale | None, sample: Array) -> bool:
    """Whether values lie more than tenfold above the usual: an identifier used for something else."""
    if scale is None or entry is None or entry.usual_high is None or not len(sample):
        return False
    return bool(np.median(np.abs(scale.apply(sample))) > 10 * entry.usual_high)


def by_stated_unit(shown: Presentation | None, written: str, target_unit: str) -> Scale:
    """How to read a number whose unit ``farm.toml`` states: as the device shows it, in the unit ``written``.

    Raises ``UnitError`` for a unit that is unknown or of another kind.
    """
    change = conversion(written, target_unit)
    if change.needs_bushel or change.slope_pct:
        raise UnitError(f"the unit '{written}' can't be used for task data; state the column in another")
    step = (shown.scale if shown else 1.0) * change.scale
    return Scale(step, (shown.offset if shown else 0) * step, target_unit, "farm.toml")


def _moving(raw: Array) -> Array:
    """A sample of the values that are neither missing nor 0: at 0 every factor agrees."""
    sample = raw[np.isfinite(raw) & (raw != 0)]
    return sample[:: max(1, len(sample) // SAMPLE)]


def _plausible(
    entry: Identifier | None, own: Scale, device: Scale, first: float, second: float
) -> Scale | None:
    if entry is None or entry.usual_low is None or entry.usual_high is None:
        return None
    own_fits = entry.usual_low <= first <= entry.usual_high
    device_fits = entry.usual_low <= second <= entry.usual_high
    if own_fits == device_fits:
        return None
    chosen, left = (own, "the device's own scale") if own_fits else (device, "the dictionary's resolution")
    note = (
        f"Identifier {entry.number} ({entry.label}): {left} gives implausible values "
        f"({(second if own_fits else first):.4g} {own.unit}), so the other reading is used ({chosen.source})."
    )
    return Scale(chosen.step, chosen.shift, chosen.unit, chosen.source, note)


def _by_dictionary(entry: Identifier | None, target_unit: str | None) -> Scale | None:
    if entry is None:
        return None
    if target_unit is None or target_unit == entry.unit:
        return Scale(float(entry.resolution), 0.0, entry.unit, "dictionary")
    source, target = device_unit(entry.unit), device_unit(target_unit)
    if source is None or target is None or source.quantity != target.quantity:
        return None
    return Scale(*_between(entry.resolution, 0, source, target), target_unit, "dictionary")


def _by_device(shown: Presentation | None, target_unit: str | None, alone: bool) -> Scale | None:
    """``alone``: the dictionary does not know the identifier, so even a number without a unit is used.

    With a dictionary entry, a blank unit with scale 1 is a mere placeholder of the device.
    """
    if shown is None:
        return None
    if target_unit is None:
        relative = alone or bool(shown.unit)
        return Scale(shown.scale, shown.offset * shown.scale, shown.unit, "device") if relative else None
    source, target = device_unit(shown.unit), device_unit(target_unit)
    if source is None or target is None or source.quantity != target.quantity:
        return None
    return Scale(*_between(Fraction(shown.scale), shown.offset, source, target), target_unit, "device")


def _between(scale: Fraction, offset: int, source: Unit, target: Unit) -> tuple[float, float]:
    """Step and shift of (raw + offset) x scale in ``source``, expressed in ``target``."""
    step = float(scale * source.factor / target.factor)
    return step, offset * step + (source.offset - target.offset) / float(target.factor)
