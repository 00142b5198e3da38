"""Two loss signals of which a unit of one may weigh more than one of the other.

Each sensor has a sensitivity of its own. Machine loss is taken from the sum of both signals, so that a change that
moves one loss alone moves the sum by more, or less, than it moves the kilograms. Loss checks tell what a unit of the
sum weighs, not of which signal it came: they gather what lies behind the machine. What is known beforehand is that
neither loss is usually many times the other, and that sensors of one machine are not usually many times as sensitive.
The signals are weighed by both, and what is still open widens the range of machine loss.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.estimate.data.bins import Binned
from chaffinch.pipelines.estimate.data.design import LOSSES, PLACES
from chaffinch.pipelines.estimate.model.season import FieldOutcome, SeasonOutcome

# Logs, as standard deviations: of one loss over the other, in kilograms, and of what a unit of one signal weighs over
# one of the other. A factor of e either way is no surprise (common practice, no source).
LOSSES_APART = 1.0
UNITS_APART = 1.0
# By how much what is seen of the first (the ratio of the signals) is to be believed, and what is then open still.
BELIEVED = LOSSES_APART**2 / (LOSSES_APART**2 + UNITS_APART**2)
OPEN = float(np.sqrt(BELIEVED) * UNITS_APART)


def in_likely_units(fields: Sequence[Binned]) -> list[Binned]:
    """``fields`` with both losses of a machine and crop in units that weigh alike, as far as can be known.

    The sum of a machine's signals stays as it is on average, so that loss checks weigh it as before. Losses in kg/s
    stay as they are.
    """
    of_machine = defaultdict(list)
    for binned in fields:
        if _weighs_unknown(binned):
            of_machine[binned.machine, binned.crop].append(binned)
    factors = {of: _factors(some) for of, some in of_machine.items()}
    return [
        _in_units(binned, *factors[binned.machine, binned.crop]) if _weighs_unknown(binned) else binned
        for binned in fields
    ]


def _weighs_unknown(binned: Binned) -> bool:
    return not binned.calibrated and all(name in binned.outcomes for name in LOSSES)


def _factors(fields: Sequence[Binned]) -> tuple[float, float]:
    """What to multiply the separation and the cleaning signal of one machine and crop by."""
    means = [np.concatenate([np.exp(binned.outcomes[place]) for binned in fields]) for place in PLACES]
    separation, cleaning = (float(np.mean(m[np.isfinite(m)])) if np.isfinite(m).any() else 0.0 for m in means)
    if not (separation > 0 and cleaning > 0):
        return 1.0, 1.0
    seen = separation / (separation + cleaning)
    likely = 1 / (1 + (cleaning / separation) ** BELIEVED)
    return likely / seen, (1 - likely) / (1 - seen)


def _in_units(binned: Binned, separation: float, cleaning: float) -> Binned:
    share = separation_shares(binned)
    total = binned.outcomes["machine_loss"] + np.log(cleaning + (separation - cleaning) * share)
    by_name = dict(zip(LOSSES, (np.log(separation), np.log(cleaning)), strict=False))
    moved = {name: binned.outcomes[name] + by for name, by in by_name.items()}
    return replace(binned, outcomes={**binned.outcomes, **moved, "machine_loss": total})


def separation_shares(binned: Binned) -> Array:
    """Separation's share of the summed signals of each bin, (n,); the usual one where a bin knows one loss alone.

    One or nothing where the log has one of the two signals only.
    """
    known = [place in binned.outcomes for place in PLACES]
    if not all(known):
        return np.full(binned.time_s.size, float(known[0]))
    separation, cleaning = (binned.outcomes[place] for place in PLACES)
    total = binned.outcomes.get("machine_loss")
    if total is None:
        with np.errstate(invalid="ignore"):
            total = np.logaddexp(separation, cleaning)
    share = np.where(np.isfinite(separation), np.exp(separation - total), -np.expm1(cleaning - total))
    share = np.clip(share, 0.0, 1.0)
    return np.where(np.isfinite(share), share, np.nanmedian(share) if np.isfinite(share).any() else 0.5)


def allowing_for_weights(season: Mapping[str, SeasonOutcome]) -> dict[str, SeasonOutcome]:
    """The season, with what unlike weights may still do added to the covariance of machine loss.

    Signals in kg/s weigh what they say: there it is left as it is.
    """
    if not all(name in season for name in LOSSES):
        return dict(season)
    separation, cleaning = ({id(f.binned): f for f in season[place].fields} for place in PLACES)
    fields = [
        field
        if field.binned.calibrated or not (id(field.binned) in separation and id(field.binned) in cleaning)
        else _wider(field, separation[id(field.binned)], cleaning[id(field.binned)])
        for field in season["machine_loss"].fields
    ]
    return {**season, "machine_loss": replace(season["machine_loss"], fields=fields)}


def _wider(machine: FieldOutcome, separation: FieldOutcome, cleaning: FieldOutcome) -> FieldOutcome:
    """With S of separation and C of cleaning, log(S u + C / u) changes by separation's share less a half for each
    log of u^2: a change of settings by what it does to that share."""
    shares = separation_shares(machine.binned)
    by_ratio = np.zeros(machine.fit.coefficients.size)
    for k in machine.design.steps:
        before = float(shares[machine.binned.step == k].mean())
        moved = _effect(separation, k) - _effect(cleaning, k)
        by_ratio[machine.design.names.index(f"step {k}")] = _after(before, moved) - before
    return machine.with_unknown("weights", OPEN * by_ratio)


def _after(share: float, moved: float) -> float:
    """``share`` after its odds have moved by ``moved`` on the log scale."""
    return float(1 / (1 + (1 / max(share, 1e-9) - 1) * np.exp(-moved)))


def _effect(field: FieldOutcome, k: int) -> float:
    name = f"step {k}"
    return (
        float(field.fit.coefficients[field.design.names.index(name)]) if name in field.design.names else 0.0
    )
