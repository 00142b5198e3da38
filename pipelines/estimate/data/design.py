"""Columns of the regression: what the log outcome depends on, settings included."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.estimate.data.bins import Binned
from chaffinch.pipelines.estimate.data.regimes import dew_of, ways_of
from numpy.typing import NDArray

# While the machine fills at the start of a pass and empties at its end, flow and loss sensors show crop that
# entered at other moments than in steady work. Work counts from 15 s after the start (``work.classes``); what is
# left then dies away over about ten and five seconds (common practice, no source).
FILLS_IN_S = 10.0
EMPTIES_IN_S = 5.0

# Machine loss is what is lost at the two places together.
PLACES = ("separation_loss", "cleaning_loss")
LOSSES = (*PLACES, "machine_loss")
# Outcomes judged at the same feed rate and conditions; the others (throughput, fuel) are as driven.
CONDITIONED = (*LOSSES, "broken_grain", "non_grain", "returns")


@dataclass(frozen=True, slots=True)
class Design:
    """Bins in which one outcome is known.

    use : (N,) which bins of the field job. columns : (n, p), steps first. names : p names; steps are
    ``step 0``, ``step 1``, ... in the order of the changes that have bins on both sides (``steps``: their
    numbers). centre : values at which the feed columns are zero.
    """

    use: NDArray[np.bool_]
    columns: Array
    names: tuple[str, ...]
    steps: tuple[int, ...]
    feed_typical_t_h: float

    def without_columns(self) -> Design:
        """The same without columns and bins, which follow from those of the field job."""
        none = np.empty((0, len(self.names)))
        return replace(self, use=np.empty(0, dtype=bool), columns=none)


def build_design(binned: Binned, outcome: str) -> Design | None:
    """Design of one outcome; None when fewer than 12 bins know it.

    Losses: steps, intercept, feed rate (log, linear, square; the shapes of published loss curves), the filling and
    emptying of the machine in each pass, moisture, roll squared, pitch (up- and downhill), roll (to the left or the
    right), the way of the pass (with or against the wind), headlands against the rest, dew by the height of the sun.
    Covariates that are missing or never vary are left out; a bin that misses one is too.
    """
    y = binned.outcomes[outcome]
    use = np.isfinite(y)
    held = outcome in CONDITIONED
    covariates: dict[str, Array] = {}
    if held:
        use &= np.isfinite(binned.feed_t_h) & (binned.feed_t_h > 0)
    for name, values in (
        ("moisture", binned.moisture_pct),
        ("roll", binned.roll_deg),
        ("pitch", binned.pitch_deg),
    ):
        if held and (use & np.isfinite(values)).sum() > 0.8 * use.sum():
            use &= np.isfinite(values)
            covariates[name] = values
    if use.sum() < 12:
        return None
    columns, names, typical = [], [], float("nan")
    bounds = np.unique(binned.step[use])
    steps = [k for k in range(len(binned.changes)) if bounds[0] <= k < bounds[-1]]
    for k in steps:
        columns.append((binned.step[use] > k).astype(float))
        names.append(f"step {k}")
    columns.append(np.ones(int(use.sum())))
    names.append("intercept")
    if held:
        feed = binned.feed_t_h[use]
        typical = float(np.exp(np.mean(np.log(feed))))
        ratio = feed / typical
        columns += [np.log(ratio), ratio - 1, (ratio - 1) ** 2]
        names += ["log feed", "feed", "feed squared"]
        for name, seconds, scale_s in (
            ("filling", binned.since_start_s[use], FILLS_IN_S),
            ("emptying", binned.until_end_s[use], EMPTIES_IN_S),
        ):
            columns.append(np.nan_to_num(np.exp(-seconds / scale_s)))
            names.append(name)
    if "moisture" in covariates:
        m = covariates["moisture"][use]
        columns.append(m - m.mean())
        names.append("moisture")
    if "roll" in covariates:
        r = covariates["roll"][use]
        columns.append(r**2 - np.mean(r**2))
        columns.append(r - r.mean())
        names += ["roll squared", "roll"]
    if "pitch" in covariates:
        p = covariates["pitch"][use]
        columns.append(p - p.mean())
        names.append("pitch")
    if held:
        ways = ways_of(binned)
        for name, level in (
            ("way", ways.way[use]),
            ("headland", ways.headland[use].astype(float)),
            ("dew", dew_of(binned)[use]),
        ):
            if np.unique(level).size > 1:
                columns.append(level - level.mean())
                names.append(name)
    matrix = np.column_stack(columns)
    keep = _independent(matrix, len(steps) + 1)
    kept = [n for n, k in zip(names, keep, strict=True) if k]
    if any(not k for k in keep[: len(steps)]):
        steps = [s for s, k in zip(steps, keep, strict=False) if k]
    return Design(use, matrix[:, keep], tuple(kept), tuple(steps), typical)


def _independent(matrix: Array, first: int) -> list[bool]:
    """Columns that add something to those before them (the first ones always tried first)."""
    basis = np.empty((matrix.shape[0], 0))
    order = [first - 1, *range(first - 1), *range(first, matrix.shape[1])]
    kept = dict.fromkeys(order, False)
    for j in order:
        column = matrix[:, j]
        rest = column - basis @ (basis.T @ column)
        norm = float(np.linalg.norm(rest))
        kept[j] = bool(norm > 1e-6 * max(float(np.linalg.norm(column)), 1e-12))
        if kept[j]:
            basis = np.column_stack([basis, rest / norm])
    return [kept[j] for j in range(matrix.shape[1])]
