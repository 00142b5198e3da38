"""The work around each change of a field job, in a few numbers: what answers need of its bins once it is fitted."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class AroundChange:
    """Work from the change before to the change after.

    seconds : of ``Binned.seconds_around``. signal_per_m2 : summed loss signals for each m2 cut, before; NaN where
    unknown. moisture_pct, log_feed : means; NaN where unknown. plain_percent : by outcome, change of its mean log
    from the quarter hour before to the one after in %, blind to feed rate, moisture and the fading of a spike.
    """

    seconds: tuple[float, float]
    signal_per_m2: float
    moisture_pct: float
    log_feed: float
    plain_percent: Mapping[str, float]
