"""What the loss signals of a machine leave open of a trial's effect, however many switches it has."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from chaffinch.pipelines.agronomy.exact import REACH_95
from chaffinch.pipelines.estimate.results.mixtures import Posterior
from chaffinch.pipelines.estimate.results.signal_weights import OPEN
from chaffinch.pipelines.estimate.signals.exponents import UNCHECKED
from chaffinch.pipelines.estimate.signals.gain_moves import MOVES, MOVES_PRIOR, movers
from chaffinch.schemas.declarations import settings

# About half of the machine's signals comes from the sensor whose gain moves. Common practice, no source.
SHARE_OF_ONE_SENSOR = 0.5


def open_of_signals(setting: str, values: Sequence[str], outcome: str, effect_log: float) -> float:
    """Standard error of the log effect that comes from the signals alone, where no loss check tells more.

    The gain of a sensor may move with the setting, and the power of the signal may not be one
    (``estimate/signals``). Repeats do not average that out; loss checks at both values do. Machine loss is the sum of
    two signals. A unit of one may weigh more than a unit of the other (``signal_weights``), which loss checks do not
    show: here one of the two losses is assumed to move alone. effect_log : of the size that the trial is about.
    """
    gain = 0.0
    moved = movers().get(setting, ())
    if outcome in moved:
        gain = 1.0
    elif outcome == "machine_loss" and moved:
        gain = SHARE_OF_ONE_SENSOR
    # Moves are far from normal: as in the estimate, the end of their range counts.
    usual = Posterior(
        MOVES_PRIOR, np.zeros((1, MOVES.size)), MOVES[None, :] ** 2, np.full((1, MOVES.size), 1e6)
    )
    by_gain = gain * _steps(setting, values) * float(usual.quantile(0.975)[0]) / REACH_95
    by_power = UNCHECKED.error * effect_log
    # A loss that is ``SHARE_OF_ONE_SENSOR`` of the sum moves by effect / share, and its share by share (1 - share)
    # times that.
    by_weights = OPEN * (1 - SHARE_OF_ONE_SENSOR) * effect_log if outcome == "machine_loss" else 0.0
    return float(np.sqrt(by_gain**2 + by_power**2 + by_weights**2))


def _steps(setting: str, values: Sequence[str]) -> float:
    """How many steps of the catalogue the values lie apart; 1 for words."""
    known = settings()[setting]
    if known.kind != "number" or not known.step:
        return 1.0
    numbers = [float(value) for value in values]
    return (max(numbers) - min(numbers)) / known.step
