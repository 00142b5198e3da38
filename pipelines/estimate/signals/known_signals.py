"""From loss signals to losses: powers first, then gains that moved with a setting."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.estimate.data.bins import Binned
from chaffinch.pipelines.estimate.model.season import SeasonOutcome
from chaffinch.pipelines.estimate.results.calibration import Calibration, MachineCrop, calibrate_all
from chaffinch.pipelines.estimate.signals.exponents import Power, allowing_for_powers, straightened
from chaffinch.pipelines.estimate.signals.gain_moves import (
    GainMove,
    GainMoves,
    allowing_for_gain_moves,
    gain_moves,
    with_steady_gains,
)


@dataclass(frozen=True, slots=True)
class KnownSignals:
    """What is known of loss signals by machine and crop, and allowed for in the bins: calibrations, powers, moves."""

    calibrations: Mapping[MachineCrop, Calibration] = field(default_factory=dict)
    powers: Mapping[MachineCrop, Power] = field(default_factory=dict)
    moves: GainMoves = field(default_factory=dict)


def losses_by_checks(
    fields: Sequence[Binned],
    pairs: Mapping[MachineCrop, Sequence[Array]],
    before: KnownSignals | None = None,
) -> tuple[list[Binned], KnownSignals]:
    """``fields`` with signals proportional to the losses, as far as loss checks show it, and what the checks show.

    pairs : of ``check_pairs``, by machine and crop, field by field. before : of an earlier night; powers and moves
    that checks since then moved by next to nothing stay.
    """
    before = before or KnownSignals()
    straight = straightened(fields, pairs, before.powers)
    moves = {
        of: {name: _stays(before.moves.get(of, {}).get(name), one) for name, one in its.items()}
        for of, its in gain_moves(straight.fields, straight.pairs).items()
    }
    steady, steady_pairs = with_steady_gains(straight.fields, straight.pairs, moves)
    return steady, KnownSignals(calibrate_all(steady_pairs), straight.powers, moves)


def _stays(before: GainMove | None, now: GainMove) -> GainMove:
    return before if before is not None and before.is_near(now) else now


def allowing_for_signals(
    season: Mapping[str, SeasonOutcome], known: KnownSignals
) -> dict[str, SeasonOutcome]:
    """The season, with what stays open of the signals in the covariance of its losses."""
    return allowing_for_gain_moves(allowing_for_powers(season, known.powers), known.moves)
