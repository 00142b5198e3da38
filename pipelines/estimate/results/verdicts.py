"""From a number and its range to a word, or to a plain refusal with the reason."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.estimate.data.bins import Binned

SHORTEST_SIDE_S = 180.0
LEAST_OVERLAP = 0.15
WIDEST_HALF_RANGE = 1.0
MOISTURE_APART_PCT = 0.5
LEVEL = 0.95
# Codes of ``thin_sides``.
THIN = ("short_before", "short_after")
# What asks whether an effect is as it looks is said where there is one.
OF_THE_CALLED = ("signal_may_bend", "gain_may_move")


@dataclass(frozen=True, slots=True)
class Answer:
    """An effect on the log scale with its 95 % range and the verdict. NaN where it can't be estimated."""

    log_ratio: float
    low: float
    high: float
    verdict: str
    reasons: tuple[str, ...] = field(default=())


def refuse(*reasons: str) -> Answer:
    """No number, only the reasons."""
    return Answer(float("nan"), float("nan"), float("nan"), "cannot tell", reasons)


def answer(
    log_ratio: float,
    low: float,
    high: float,
    refusals: Sequence[str],
    remarks: Sequence[str],
) -> Answer:
    """The verdict on an estimate: `less` or `more` exactly where its 95 % range is clear of zero.

    ``refusals`` make it `cannot tell`; ``remarks`` are only said.
    """
    if not np.isfinite([log_ratio, low, high]).all():
        return refuse(*(refusals or ["no_readings"]))
    if high - low > 2 * WIDEST_HALF_RANGE:
        refusals = [*refusals, "wide_range"]
    if refusals:
        verdict = "cannot tell"
    elif low > 0 or high < 0:
        verdict = "more" if low > 0 else "less"
    else:
        verdict = "no clear change"
    said = [r for r in remarks if r not in OF_THE_CALLED or verdict in ("less", "more")]
    return Answer(log_ratio, low, high, verdict, tuple(dict.fromkeys([*refusals, *said])))


def reach(freedom: float, widen: float) -> float:
    """Standard errors from the estimate to the end of its 95 % range."""
    from scipy.special import ndtri, stdtrit

    level = 0.5 + LEVEL / 2
    return float(stdtrit(freedom, level) if np.isfinite(freedom) else ndtri(level)) * widen


def answer_with_error(
    log_ratio: float,
    error: float,
    freedom: float,
    widen: float = 1.0,
    refusals: Sequence[str] = (),
    remarks: Sequence[str] = (),
) -> Answer:
    """``answer`` to an estimate with a standard error on so many degrees of freedom."""
    half = reach(freedom, widen) * error
    return answer(log_ratio, log_ratio - half, log_ratio + half, refusals, remarks)


@dataclass(frozen=True, slots=True)
class BothSides:
    """What the work before and after one change allows, whatever the outcome.

    thin : of ``thin_sides``. overlap : of ``feed_overlap``. moisture_moved : of ``moisture_moved``. by_step :
    whether a step that was not logged lies so close that losses can't tell the two apart. in_company : whether the
    machine's changes were made as loss rose, and it stayed higher. at_regime : whether a regime began with it.
    clock_doubtful : whether the clock of its settings log may be off by minutes. repeated : of
    ``repeated_in_trial``.
    """

    thin: tuple[str, ...]
    overlap: float
    moisture_moved: bool
    by_step: bool = False
    in_company: bool = False
    at_regime: bool = False
    clock_doubtful: bool = False
    repeated: bool = False

    @classmethod
    def of(cls, binned: Binned, k: int) -> BothSides:
        return cls(
            tuple(thin_sides(binned, k)),
            feed_overlap(binned, k),
            moisture_moved(binned, k),
            repeated=repeated_in_trial(binned, k),
        )


def repeated_in_trial(binned: Binned, k: int) -> bool:
    """Whether change ``k`` belongs to a trial with work enough on both sides of all its switches together.

    Steps of a trial may be short, since its answer comes from the repeats. A step lies between two switches, so it
    counts twice.
    """
    trials = [change.rows.row(0, named=True).get("trial") for change in binned.changes]
    if trials[k] is None:
        return False
    sides = np.sum([binned.seconds_around(j) for j, one in enumerate(trials) if one == trials[k]], axis=0)
    return trials.count(trials[k]) > 1 and float(min(sides)) >= 2 * SHORTEST_SIDE_S


def thin_sides(binned: Binned, k: int) -> list[str]:
    """Reasons to refuse an effect of change ``k`` for want of work on either side."""
    before, after = binned.seconds_around(k)
    return [code for code, seconds in zip(THIN, (before, after), strict=True) if seconds < SHORTEST_SIDE_S]


def feed_overlap(binned: Binned, k: int) -> float:
    """Share of feed rates that both sides of change ``k`` have in common, 0 to 1.

    The overlap of the two sides' histograms of log feed rate in twelve classes.
    """
    fed = binned.feed_t_h > 0
    return _overlap(
        np.log(binned.feed_t_h[(binned.step == k) & fed]),
        np.log(binned.feed_t_h[(binned.step == k + 1) & fed]),
    )


def moisture_moved(binned: Binned, k: int) -> bool:
    """Whether grain moistures before and after change ``k`` hardly overlap and lie over half a point apart."""
    known = np.isfinite(binned.moisture_pct)
    before, after = (binned.moisture_pct[(binned.step == k + side) & known] for side in (0, 1))
    if before.size < 3 or after.size < 3:
        return False
    apart = abs(float(np.median(after) - np.median(before)))
    return apart > MOISTURE_APART_PCT and _overlap(before, after) < LEAST_OVERLAP


def _overlap(before: Array, after: Array) -> float:
    """Overlap of the histograms of two samples in twelve classes, 0 to 1; 0 where one is under three values."""
    if before.size < 3 or after.size < 3:
        return 0.0
    edges = np.linspace(min(before.min(), after.min()), max(before.max(), after.max()) + 1e-9, 13)
    share = [np.histogram(x, edges)[0] / x.size for x in (before, after)]
    return float(np.minimum(*share).sum())


def numbers(found: Answer) -> dict[str, float | None]:
    """The six number columns of an answer; null where it has none."""

    def known(value: float) -> float | None:
        return float(value) if np.isfinite(value) else None

    logs = {"log_ratio": found.log_ratio, "log_ratio_low": found.low, "log_ratio_high": found.high}
    percents = {name.replace("log_ratio", "percent"): 100 * np.expm1(value) for name, value in logs.items()}
    return {name: known(value) for name, value in {**percents, **logs}.items()}


def answer_columns(found: Answer) -> dict[str, Any]:
    """``numbers`` with the verdict and its reasons."""
    return {**numbers(found), "verdict": found.verdict, "reasons": list(found.reasons)}


def alone_columns(found: Answer) -> dict[str, float | None]:
    """The six columns of what logs say alone, from their answer."""
    return {f"alone_{name}": value for name, value in numbers(found).items()}
