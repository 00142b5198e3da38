"""By how much a step of a setting moves the gain of a loss sensor, from loss checks on both sides of its changes.

    ln(loss / signal)_i = alpha_f - sum_s gamma_ms c_i L_is + e_i        gamma_ms ~ N(mu_s, sigma^2 / 4)
                                                                        mu_s ~ N(0, 3 sigma^2 / 4)

i: checks of machine m in field f. L_is: steps of setting s since the field began. c_i: share of the summed signals
that comes from the sensor in question. Each field has its own level alpha. mu: what such a setting does to such
sensors on all machines; sigma, how far gains move, is shared by all. The settings in question are those of the
catalogue that say ``moves_gain_of``: air and chaff strike the sensor with the kernels. Without checks on both sides
an effect on the loss and a move of the gain look alike, and only what is usual is known.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from chaffinch.pipelines.agronomy.exact import REACH_95
from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.estimate.data.bins import Binned
from chaffinch.pipelines.estimate.data.design import PLACES
from chaffinch.pipelines.estimate.data.doses import dose_of
from chaffinch.pipelines.estimate.model.season import FARM_WIDE, FieldOutcome, SeasonOutcome
from chaffinch.pipelines.estimate.results.calibration import MachineCrop, usable_pairs
from chaffinch.pipelines.estimate.results.mixtures import Posterior
from chaffinch.pipelines.estimate.results.signal_weights import separation_shares
from chaffinch.pipelines.estimate.signals.exponents import IN_COMMON, LIKELY_ERRORS, NEARLY
from chaffinch.schemas.declarations import settings

# Standard deviation of the log gain by one step, and how likely each is beforehand: mostly nothing worth a word, now
# and then a quarter (common practice, no source).
MOVES = np.array([0.01, 0.03, 0.08, 0.25])
MOVES_PRIOR = np.array([0.80, 0.15, 0.035, 0.015])
# Where checks on both sides can tell a move (their standard error of what all machines have in common), it is left
# free: an expectation would hide what they show.
MOVES_WITH_CHECKS = np.array([0.3, 0.2, 0.2, 0.3])
TOLD_BY_CHECKS = 0.2
# A move that checks alone know this well (standard error) is settled.
SETTLED_MOVE = 0.1
# A check belongs to the field that was being cut within this, s.
NEAR_FIELD_S = 900.0


@dataclass(frozen=True, slots=True)
class GainMove:
    """Log gain of one step up. own, common : its errors, of this machine and of all.

    by_checks : standard error by the machine's checks alone, infinite without.
    """

    log: float
    own: float
    common: float
    by_checks: float

    def is_near(self, other: GainMove) -> bool:
        """Whether both are the same within a tenth of their error, and as settled."""
        error = float(np.hypot(other.own, other.common))
        apart = abs(self.log - other.log), abs(self.own - other.own), abs(self.common - other.common)
        settled = (self.by_checks <= SETTLED_MOVE) == (other.by_checks <= SETTLED_MOVE)
        return max(apart) <= NEARLY * error and settled


GainMoves = Mapping[MachineCrop, Mapping[str, GainMove]]


def movers() -> dict[str, tuple[str, ...]]:
    """Settings that may move the gain of loss sensors: the losses whose sensors they are."""
    return {name: one.moves_gain_of for name, one in settings().items() if one.moves_gain_of}


def steps_of_movers(binned: Binned) -> dict[str, Array]:
    """Of each setting that may move a gain and was moved: its steps since the field began, after each number of
    changes, (changes + 1,). A change of unknown size counts as none."""
    jumps: dict[str, Array] = {}
    for k, change in enumerate(binned.changes):
        for row in change.rows.iter_rows(named=True):
            if row["setting"] in movers() and (dose := dose_of(row)) is not None:
                jumps.setdefault(dose.setting, np.zeros(len(binned.changes) + 1))[k + 1] += dose.amount
    return {name: np.cumsum(one) for name, one in jumps.items() if one.any()}


def gain_moves(fields: Sequence[Binned], pairs: Mapping[MachineCrop, Sequence[Array]]) -> GainMoves:
    """Posterior of the moves of every machine and crop whose fields have such a change.

    pairs : of ``check_pairs``, of signals proportional to the loss.
    """
    seen = [(b, steps) for b in fields if not b.calibrated and (steps := steps_of_movers(b))]
    of = sorted({((b.machine, b.crop), name) for b, steps in seen for name in steps}, key=str)
    if not of:
        return {}
    at = {key: i for i, key in enumerate(of)}
    information, along = np.zeros((len(of), len(of))), np.zeros(len(of))
    square, count = 0.0, 0
    for binned, steps in seen:
        checks, moved = _checks_of(binned, steps, pairs)
        if len(checks) < 2:
            continue
        x = np.zeros((len(checks), len(of)))
        for name, one in moved.items():
            x[:, at[(binned.machine, binned.crop), name]] = -one
        y = np.log(checks[:, 0] / checks[:, 1])
        x, y = x - x.mean(axis=0), y - y.mean()
        information, along = information + x.T @ x, along + x.T @ y
        square, count = square + float(y @ y), count + len(y) - 1
    return _posterior(of, information, along, square, count)


def _checks_of(
    binned: Binned, steps: Mapping[str, Array], pairs: Mapping[MachineCrop, Sequence[Array]]
) -> tuple[Array, dict[str, Array]]:
    """The checks in one field, and for each setting its steps at them times the share of the signals it concerns."""
    some = usable_pairs(np.concatenate([np.empty((0, 3)), *pairs.get((binned.machine, binned.crop), ())]))
    near = (some[:, 2] > binned.time_s[0] - NEAR_FIELD_S) & (some[:, 2] < binned.time_s[-1] + NEAR_FIELD_S)
    checks = some[near]
    after = np.searchsorted([change.first_s for change in binned.changes], checks[:, 2])
    shares = _shares(binned)
    return checks, {name: (one * shares[name])[after] for name, one in steps.items()}


def _shares(binned: Binned) -> dict[str, Array]:
    """By setting that may move a gain: the share of its sensors in the summed signals, by number of changes."""
    separation = separation_shares(binned)
    mean = float(separation.mean()) if separation.size else 0.5
    by_step = np.array(
        [
            separation[here].mean() if (here := binned.step == k).any() else mean
            for k in range(len(binned.changes) + 1)
        ]
    )
    of_place = dict(zip(PLACES, (by_step, 1 - by_step), strict=True))
    return {name: sum((of_place[p] for p in places), 0 * by_step) for name, places in movers().items()}


def _posterior(
    of: Sequence[tuple[MachineCrop, str]], information: Array, along: Array, square: float, count: int
) -> dict[MachineCrop, dict[str, GainMove]]:
    """Moves integrated over their size and the error of a check. information, along, square : of the regression."""
    names = np.array([name for _, name in of])
    alike = (names[:, None] == names[None, :]).astype(float)
    checks_error = max(float(np.sqrt(square / max(count, 1))), float(LIKELY_ERRORS[0]))
    by_setting = alike @ np.diag(information)
    told = bool((by_setting > (checks_error / TOLD_BY_CHECKS) ** 2).any())
    scores, means, variances, shared = [], [], [], []
    for move, chance in zip(MOVES, MOVES_WITH_CHECKS if told else MOVES_PRIOR, strict=True):
        prior = move**2 * (IN_COMMON * alike + (1 - IN_COMMON) * np.eye(len(of)))
        inverse = np.linalg.inv(prior)
        # What all machines have in common is the prior's mean of such moves given those of all.
        to_common = IN_COMMON * move**2 * alike @ inverse
        left = IN_COMMON * move**2 * (1 - np.einsum("ij,ij->i", to_common, alike))
        for error in LIKELY_ERRORS:
            precision = information / error**2 + inverse
            covariance = np.linalg.inv(precision)
            mean = covariance @ along / error**2
            logdet = np.linalg.slogdet(precision)[1] + np.linalg.slogdet(prior)[1]
            explained = along @ mean / error**2
            scores.append(
                np.log(chance) - count * np.log(error) - 0.5 * (square / error**2 - explained + logdet)
            )
            means.append(mean)
            variances.append(np.diag(covariance))
            shared.append(left + np.einsum("ij,jk,ik->i", to_common, covariance, to_common))
    weights = np.exp(np.array(scores) - max(scores))
    weights /= weights.sum()
    found = Posterior(
        weights, np.array(means).T, np.array(variances).T, np.full((len(of), weights.size), 1e6)
    )
    middle = found.mean()
    # The range is far from normal: its further end counts.
    ends = np.maximum(found.quantile(0.975) - middle, middle - found.quantile(0.025))
    common = (np.array(shared).T @ weights) / (np.array(variances).T @ weights)
    parts = np.clip(common, 0.0, 1.0)
    with np.errstate(divide="ignore"):
        alone = checks_error / np.sqrt(np.diag(information))
    moves: dict[MachineCrop, dict[str, GainMove]] = defaultdict(dict)
    for i, (machine_crop, name) in enumerate(of):
        error = float(ends[i]) / REACH_95
        own, farm = error * float(np.sqrt(1 - parts[i])), error * float(np.sqrt(parts[i]))
        moves[machine_crop][name] = GainMove(float(middle[i]), own, farm, float(alone[i]))
    return dict(moves)


def with_steady_gains(
    fields: Sequence[Binned], pairs: Mapping[MachineCrop, Sequence[Array]], moves: GainMoves
) -> tuple[list[Binned], dict[MachineCrop, list[Array]]]:
    """``fields`` and ``pairs`` with signals as they would be, had the gains not moved since each field began."""
    made = [_steady(b, moves[b.machine, b.crop]) if _moved(b, moves) else b for b in fields]
    steady = {of: [one.copy() for one in some] for of, some in pairs.items()}
    for binned in fields:
        if not _moved(binned, moves):
            continue
        of = binned.machine, binned.crop
        steps, shares = steps_of_movers(binned), _shares(binned)
        by = sum((moves[of][name].log * one * shares[name] for name, one in steps.items()), np.zeros(1))
        for checks in steady.get(of, ()):
            near = (checks[:, 2] > binned.time_s[0] - NEAR_FIELD_S) & (
                checks[:, 2] < binned.time_s[-1] + NEAR_FIELD_S
            )
            after = np.searchsorted([change.first_s for change in binned.changes], checks[near, 2])
            checks[near, 1] *= np.exp(-np.asarray(by)[after])
    return made, steady


def _moved(binned: Binned, moves: GainMoves) -> bool:
    return not binned.calibrated and (binned.machine, binned.crop) in moves and bool(steps_of_movers(binned))


def _steady(binned: Binned, moves: Mapping[str, GainMove]) -> Binned:
    by_place = {place: np.zeros(binned.time_s.size) for place in PLACES}
    for name, steps in steps_of_movers(binned).items():
        for place in movers()[name]:
            by_place[place] -= moves[name].log * steps[binned.step]
    outcomes = {name: one + by_place.get(name, 0.0) for name, one in binned.outcomes.items()}
    if "machine_loss" not in outcomes:
        return replace(binned, outcomes=outcomes)
    of_separation = separation_shares(binned)
    separation, cleaning = (np.exp(by_place[place]) for place in PLACES)
    shift = np.log(of_separation * separation + (1 - of_separation) * cleaning)
    outcomes["machine_loss"] = outcomes["machine_loss"] + shift
    return replace(binned, outcomes=outcomes, loss_signal=binned.loss_signal * np.exp(shift))


def allowing_for_gain_moves(
    season: Mapping[str, SeasonOutcome], moves: GainMoves
) -> dict[str, SeasonOutcome]:
    """The season, with the errors of ``moves`` in the covariance of the losses whose sensors they concern."""
    allowed = dict(season)
    for outcome in (*PLACES, "machine_loss"):
        if outcome in season:
            fields = [
                _with_moves(field, moves[field.binned.machine, field.binned.crop])
                if _moved(field.binned, moves)
                else field
                for field in season[outcome].fields
            ]
            allowed[outcome] = replace(season[outcome], fields=fields)
    return allowed


def _with_moves(field: FieldOutcome, moves: Mapping[str, GainMove]) -> FieldOutcome:
    names, said = field.design.names, {k: set(codes) for k, codes in field.change_doubts.items()}
    shares = _shares(field.binned)
    for name, steps in steps_of_movers(field.binned).items():
        if field.outcome != "machine_loss" and field.outcome not in movers()[name]:
            continue
        weight = shares[name] if field.outcome == "machine_loss" else np.ones(steps.size)
        loading = np.zeros(len(names))
        for k in field.design.steps:
            jump = steps[k + 1] - steps[k]
            loading[names.index(f"step {k}")] = jump * weight[k]
            if jump and moves[name].by_checks > SETTLED_MOVE:
                said.setdefault(k, set()).add("gain_may_move")
        if loading.any():
            field = field.with_unknown(f"gain {name}", moves[name].own * loading)
            field = field.with_unknown(f"{FARM_WIDE}gain {name}", moves[name].common * loading)
    return replace(field, change_doubts={k: tuple(sorted(codes)) for k, codes in said.items()})
