"""What the loss signals of a machine leave open of a trial's effect, however many switches it has."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from chaffinch.pipelines.agronomy.exact import REACH_95
from chaffinch.pipelines.estimate.results.mixtures import Posterior
from chaffinch.pipelines.estimate.signals.exponents import UNCHECKED
from chaffinch.pipelines.estimate.signals.gain_moves import MOVES, MOVES_PRIOR, movers
from chaffinch.schemas.declarations import settings

# About half of the machine's signals comes from the sensor whose gain moves. Common practice, no source.
SHARE_OF_ONE_SENSOR = 0.5


def open_of_signals(setting: str, values: Sequence[str], outcome: str, effect_log: float) -> float:
    """Standard error of the log effect that comes from the signals alone, where no loss check tells more.

    The gain of a sensor may move with the setting, and the power of the signal may not be one
    (``estimate/signals``). Repeats do not average that out; loss checks at both values do. effect_log : of the size
    that the trial is about.
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
    return float(np.hypot(by_gain, UNCHECKED.error * effect_log))


def _steps(setting: str, values: Sequence[str]) -> float:
    """How many steps of the catalogue the values lie apart; 1 for words."""
    known = settings()[setting]
    if known.kind != "number" or not known.step:
        return 1.0
    numbers = [float(value) for value in values]
    return (max(numbers) - min(numbers)) / known.step
