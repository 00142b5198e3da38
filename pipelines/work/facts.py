"""What the work stage found out about one field job, as numbers and as sentences for people."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl
from chaffinch.pipelines.work.align import ALIGNED
from chaffinch.pipelines.work.conditions import beyond_compensation_pct, conditions, moisture_drift_pct_h
from chaffinch.pipelines.work.delays.lag import Delays, Lag
from chaffinch.pipelines.work.screening import PUBLISHED_LEFT_OUT_PCT, STEP_WORDS, STEPS, shares
from chaffinch.schemas.declarations import reasons

SENSOR_WORDS = {
    "grain": "grain flow",
    "separation": "separation loss",
    "cleaning": "cleaning loss",
    "moisture": "grain moisture",
}
WAY_WORDS = {
    "passes": "neighbouring passes driven in opposite directions",
    "feed": "loss against feed rate",
    "season": "the machine's other days",
}
# No crop goes from the header to a sensor that fast.
MOVED_ALREADY_S = 2.0
LEAST_DRIFT_PCT_H = 0.1
KIND_WORDS = {
    "main": "in the main direction",
    "headland": "on the headland",
    "point_row": "in point rows",
    "narrow": "under nine tenths of the header",
}


@dataclass(frozen=True, slots=True)
class WorkFacts:
    """Of one field job.

    delays : from header to sensor; logged : sensors whose channel is. width_m : header as logged,
    effective_width_m : mean over used readings, both None where unknown; narrow_pct : share of used readings
    with under nine tenths of the header. passes : number by kind. left_out : see ``screening.shares``.
    steep_pct : share of steady work beyond 20 % side slope, moisture_drift_pct_h : grain moisture an hour, both
    None where unknown. conditions : see ``conditions.conditions``.
    """

    delays: Delays
    logged: tuple[str, ...]
    width_m: float | None
    effective_width_m: float | None
    narrow_pct: float | None
    passes: dict[str, int]
    left_out: dict[str, float]
    steep_pct: float | None
    moisture_drift_pct_h: float | None
    conditions: pl.DataFrame

    @property
    def left_out_pct(self) -> float:
        return sum(self.left_out.values())

    def sentences(self, length: tuple[float, str] = (1.0, "m")) -> list[str]:
        """All of it in plain words. length : factor and name of the unit of widths."""
        sentences = [delay_sentence(sensor, self.delays.of(sensor)) for sensor in self.logged]
        sentences += [self.width_sentence(length), self.passes_sentence(), self.screening_sentence()]
        if self.steep_pct is not None:
            sentences.append(
                f"{self.steep_pct:.0f} % of the steady work was on side slopes over 20 %, where compensation ends"
                + ("; only the larger part of the ground is used." if self.steep_pct else ".")
            )
        drift = self.moisture_drift_pct_h
        if drift is not None and abs(drift) >= LEAST_DRIFT_PCT_H:
            sentences.append(
                f"The grain became {'drier' if drift < 0 else 'damper'} "
                f"by {abs(drift):.1f} percentage points an hour."
            )
        return [sentence for sentence in sentences if sentence]

    def width_sentence(self, length: tuple[float, str] = (1.0, "m")) -> str:
        if self.effective_width_m is None or self.width_m is None or self.narrow_pct is None:
            return "The cut width is unknown: positions or the header width are missing."
        factor, unit = length
        return (
            f"Mean cut width {self.effective_width_m * factor:.2f} {unit} of the {self.width_m * factor:.2f} {unit} "
            f"header; under nine tenths of it in {self.narrow_pct:.0f} % of the readings used."
        )

    def passes_sentence(self) -> str:
        if not self.passes:
            return ""
        count = sum(self.passes.values())
        passes = f"{count} {'pass' if count == 1 else 'passes'}"
        if len(self.passes) == 1:
            return f"{passes}, all {KIND_WORDS[next(iter(self.passes))]}."
        kinds = ", ".join(f"{n} {KIND_WORDS[kind]}" for kind, n in self.passes.items())
        return f"{passes}: {kinds}."

    def screening_sentence(self) -> str:
        low, high = PUBLISHED_LEFT_OUT_PCT
        sentence = (
            f"{self.left_out_pct:.1f} % of the readings are not used (published yield maps of maize and "
            f"soybean: {low:g} to {high:g} %, with records out of work included)."
        )
        if self.left_out_pct <= high:
            return sentence
        code, share = max(self.left_out.items(), key=lambda one: one[1])
        return f"{sentence} Most of them, {share:.1f} %: {reasons()[code].sentence}"

    def screening_rows(self) -> list[tuple[str, str, float]]:
        """(step of the published order, sentence of the rule, share of all readings in %), steps in order."""
        return [
            (f"{STEPS[code]}. {STEP_WORDS[STEPS[code]]}", reasons()[code].sentence, share)
            for code, share in self.left_out.items()
            if share > 0
        ]


def work_facts(marked: pl.DataFrame, delays: Delays, zone: str | None = None) -> WorkFacts:
    """Sum up ``mark_work``'s table of one field job; zone: of the hours in ``conditions``."""
    used = marked.select("usable", "effective_width_m").filter("usable").drop_nulls("effective_width_m")
    width = marked["working_width_m"].max() if "working_width_m" in marked.columns else None
    header = float(width) if isinstance(width, (int, float)) else None
    mean = used["effective_width_m"].mean()
    narrow = (used["effective_width_m"] < 0.9 * header).mean() if header and used.height else None
    kinds = (
        marked.select("pass_number", "pass_kind")
        .drop_nulls("pass_number")
        .unique("pass_number", keep="first", maintain_order=True)
        .group_by("pass_kind")
        .len()
        .drop_nulls()
        .sort("len", "pass_kind", descending=[True, False])
    )
    return WorkFacts(
        delays=delays,
        logged=tuple(sensor for sensor, column in ALIGNED.items() if marked[column].count()),
        width_m=header,
        effective_width_m=float(mean) if isinstance(mean, float) else None,
        narrow_pct=100 * float(narrow) if isinstance(narrow, float) else None,
        passes=dict(kinds.iter_rows()),
        left_out=shares(marked),
        steep_pct=beyond_compensation_pct(marked),
        moisture_drift_pct_h=moisture_drift_pct_h(marked),
        conditions=conditions(marked, zone),
    )


def delay_sentence(sensor: str, lag: Lag) -> str:
    """The delay of a sensor in a sentence: its range and how it was found, or that it is assumed."""
    name = SENSOR_WORDS[sensor].capitalize()
    if not lag.estimated:
        return (
            f"{name}: a delay of {lag.seconds:.0f} s is assumed. To estimate it, the log needs adjacent passes in "
            "opposite directions."
        )
    low, high = lag.range_s
    how = "from " + ", ".join(WAY_WORDS[way] for way in lag.ways)
    text = f"{name}: {lag.seconds:.1f} s behind the header ({low:.1f} to {high:.1f} s), {how}"
    if high < 0:
        text = (
            f"{name}: {-lag.seconds:.1f} s before the header ({-high:.1f} to {-low:.1f} s), {how}; the logger "
            "has corrected the delay already, and too much"
        )
    elif low < MOVED_ALREADY_S:
        text += "; the logger seems to have corrected the delay already"
    return text + "."
