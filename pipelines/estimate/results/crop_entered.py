"""Losses and feed rate per grain that entered, from logs of the grain that was kept.

The flow sensor sees the kept grain. Per grain kept a loss share L reads L / (1 - L), and where more is lost a smaller
feed rate is seen: on a loss curve of slope s, a change of all losses looks larger by the factor 1 + (1 + s) L, by
4.5 % where 1.5 % of the grain is lost and s is 2. So the lost grain is added again.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.estimate.data.bins import Binned
from chaffinch.pipelines.estimate.data.design import LOSSES, PLACES
from chaffinch.pipelines.estimate.results.calibration import Calibration, MachineCrop, calibration_of
from chaffinch.schemas.declarations import reference_loss_share


def of_all_that_entered(
    fields: Sequence[Binned], calibrations: Mapping[MachineCrop, Calibration]
) -> list[Binned]:
    """Each of ``fields`` with its losses per grain that entered, weighed by the machine's loss checks in that crop.

    Without a check the machine is assumed to have lost the crop's reference share on average: a smaller error than
    to assume no loss.
    """
    known = [calibration_of(binned, calibrations) for binned in fields]
    unweighed = defaultdict(list)
    for binned, calibration in zip(fields, known, strict=True):
        if calibration is None:
            unweighed[binned.machine, binned.crop].append(binned)
    usual = {of: usual_kg_s_per_unit(some) for of, some in unweighed.items()}
    entered = []
    for binned, calibration in zip(fields, known, strict=True):
        if calibration is None:
            weight = usual[binned.machine, binned.crop]
        else:
            weight = float(np.exp(calibration.at(float(binned.time_s.mean())).log_kg_s_per_unit))
        entered.append(of_what_entered(binned, dict.fromkeys(PLACES, weight)))
    return entered


def usual_kg_s_per_unit(fields: Sequence[Binned]) -> float:
    """Weight of a unit of signal at which field jobs of one machine and crop lost the crop's reference share."""
    units = np.concatenate([_per_kept(binned, dict.fromkeys(PLACES, 1.0)) for binned in fields])
    mean = float(units.mean()) if units.size else 0.0
    share = reference_loss_share(fields[0].crop)
    return share / (1 - share) / mean if mean > 0 else 0.0


def of_what_entered(binned: Binned, kg_s_per_unit: Mapping[str, float]) -> Binned:
    """The field job with losses and feed rate per grain that entered.

    kg_s_per_unit : by loss of ``PLACES``, what a unit of its signal weighs.
    """
    lost = _per_kept(binned, kg_s_per_unit)
    losses = {name: binned.outcomes[name] - np.log1p(lost) for name in LOSSES if name in binned.outcomes}
    return replace(binned, feed_t_h=binned.feed_t_h * (1 + lost), outcomes={**binned.outcomes, **losses})


def _per_kept(binned: Binned, kg_s_per_unit: Mapping[str, float]) -> Array:
    """Grain lost per grain kept, (n,); where a bin does not know a loss, the field's median."""
    lost = np.zeros(binned.time_s.size)
    for place, weight in kg_s_per_unit.items():
        if place in binned.outcomes:
            units = np.exp(binned.outcomes[place])
            known = np.isfinite(units)
            if known.any():
                lost += weight * np.where(known, units, np.median(units[known]))
    return lost
