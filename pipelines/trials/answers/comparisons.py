"""The values of a trial against each other, from the rows of ``effects`` that name it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
import polars as pl
from chaffinch.pipelines.agronomy.exact import REACH_95
from chaffinch.pipelines.trials.answers.anytime import LEVEL_MISSED, Outlook, outlook, reach_of_look
from chaffinch.pipelines.trials.done.matching import as_planned
from chaffinch.pipelines.trials.written.judged_loss import judged_losses
from scipy.special import ndtr


@dataclass(frozen=True, slots=True)
class Comparison:
    """One value of a trial against another: log ratio of the loss at ``to_value`` to that at ``from_value``.

    variance : of the log ratio, by the trial alone. reach, anytime : half widths of its 95 % range, and of the one
    that holds at every look. switches : changes behind it. absolute : kg/ha with its range, where pans weigh the
    signals. capacity : change of the capacity, %, with its range. shared : the answer with all that the lake knows,
    %, with its range, where the trial lies in one field and other logs hold changes of the setting.
    """

    setting: str
    unit: str | None
    from_value: str
    to_value: str
    outcome: str
    log_ratio: float
    variance: float
    anytime: float
    switches: int
    outlook: Outlook
    absolute: tuple[float, float, float] | None = None
    capacity: tuple[float, float, float] | None = None
    shared: tuple[float, float, float] | None = None

    @property
    def percent(self) -> float:
        return float(100 * np.expm1(self.log_ratio))

    @property
    def percent_range(self) -> tuple[float, float]:
        """The 95 % range of one look, %."""
        half = REACH_95 * float(np.sqrt(self.variance))
        return _percent(self.log_ratio - half), _percent(self.log_ratio + half)

    @property
    def anytime_range(self) -> tuple[float, float]:
        """The range that holds at every look, %."""
        return _percent(self.log_ratio - self.anytime), _percent(self.log_ratio + self.anytime)

    @property
    def better(self) -> str | None:
        """The value with clearly less loss, at whatever look; None where that is open."""
        if abs(self.log_ratio) <= self.anytime:
            return None
        return self.to_value if self.log_ratio < 0 else self.from_value

    @property
    def chance_less(self) -> float:
        """Probability that the loss is less at ``to_value``, by the trial alone."""
        return float(ndtr(-self.log_ratio / np.sqrt(self.variance)))


def best_of(comparisons: Sequence[Comparison]) -> str | None:
    """The value of one setting that is clearly better than each other; None where that is open."""
    values = dict.fromkeys(end for one in comparisons for end in (one.from_value, one.to_value))
    of_one_setting = len({one.setting for one in comparisons}) == 1
    # Of three or more values each has to be compared with each.
    whole = len(comparisons) == len(values) * (len(values) - 1) // 2
    beaten = {value: sum(one.better == value for one in comparisons) for value in values}
    best = [value for value, many in beaten.items() if many == len(values) - 1]
    return best[0] if best and of_one_setting and whole else None


def comparisons_of(
    steps: list[dict[str, Any]], effects: pl.DataFrame, remaining: int, tell: float
) -> Iterator[Comparison]:
    """Each value of a trial against each other, of both settings where it has two.

    steps : its rows of ``trials``. effects : the rows that name it. remaining : switches still planned. tell : the
    log ratio that the trial was planned to detect.
    """
    first = steps[0]
    known = effects.filter(pl.col("alone_log_ratio").is_not_null(), pl.col("scope") == "field")
    both = ((first["setting"], first["values"]), (first["second_setting"], first["second_values"]))
    pairs = [
        (setting, values, one, other)
        for setting, values in both
        if setting
        for one, other in combinations(values, 2)
    ]
    over = first["status"] == "finished"
    # Several comparisons share the five in a hundred.
    missed = LEVEL_MISSED / len(pairs)
    for setting, values, one, other in pairs:
        rows = _rows(known, setting, values, {one, other})
        seen = {row["outcome"] for row in rows}
        outcome = next((o for o in judged_losses(setting) if o in seen), None)
        if outcome is None:
            continue
        about = [row for row in rows if row["outcome"] == outcome]
        machine_loss = [row for row in rows if row["outcome"] == "machine_loss"]
        effect, variance = _pooled(about, one)
        switches = sum(row["adjustments_pooled"] for row in about)
        capacity = [row for row in rows if row["outcome"] == "capacity"]
        yield Comparison(
            setting,
            about[0]["unit"],
            one,
            other,
            outcome,
            effect,
            variance,
            reach_of_look(variance, over, missed),
            switches,
            outlook(effect, variance, switches, remaining, tell, missed, over),
            _turned(machine_loss[0], one, "absolute") if len(machine_loss) == 1 else None,
            _turned(capacity[0], one, "percent") if len(capacity) == 1 else None,
            _turned(about[0], one, "percent") if len(about) == 1 and about[0]["shared_with"] else None,
        )


def _rows(known: pl.DataFrame, setting: str, planned: Sequence[str], pair: set[str]) -> list[dict[str, Any]]:
    """Rows between the two values of ``pair``, with values as the plan has them: displays round."""
    rows = known.filter(pl.col("setting") == setting).to_dicts()
    ends = ("from_value", "to_value")
    rows = [row | {end: as_planned(row[end], planned) for end in ends} for row in rows]
    return [row for row in rows if {row[end] for end in ends} == pair]


def _pooled(rows: Sequence[dict[str, Any]], one: str) -> tuple[float, float]:
    """Effect from value ``one`` to the other over the fields of a trial, and its variance: by inverse variance."""
    spread = 2 * REACH_95
    variances = np.array(
        [((r["alone_log_ratio_high"] - r["alone_log_ratio_low"]) / spread) ** 2 for r in rows]
    )
    effects = np.array([_way(row, one) * row["alone_log_ratio"] for row in rows])
    information = 1 / variances
    return float(information @ effects / information.sum()), float(1 / information.sum())


def _way(row: dict[str, Any], one: str) -> float:
    """-1 where a row goes the other way, to value ``one``."""
    return 1.0 if row["from_value"] == one else -1.0


def _turned(row: dict[str, Any], one: str, name: str) -> tuple[float, float, float] | None:
    """A number of the row with its range, from value ``one`` to the other."""
    ends = [row[name], row[f"{name}_low"], row[f"{name}_high"]]
    if any(end is None for end in ends):
        return None
    if _way(row, one) > 0:
        return ends[0], ends[1], ends[2]
    if name == "absolute":
        return -ends[0], -ends[2], -ends[1]
    back = [100 * (1 / (1 + end / 100) - 1) for end in ends]
    return back[0], back[2], back[1]


def _percent(log_ratio: float) -> float:
    return float(100 * np.expm1(log_ratio))
