"""The changes made in one field job, joint settings together, and the sentences about them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

import polars as pl
from chaffinch.dashboards.words import terms
from chaffinch.dashboards.words.confidence import confidence
from chaffinch.dashboards.words.shown_units import Scale
from chaffinch.dashboards.words.terms import (
    LOSS_OUTCOMES,
    NARROW,
    capitalized,
    listed,
    reason_sentence,
    signed,
    significant,
)
from chaffinch.schemas.tables import OUTCOMES

_ENDS = ("", "_low", "_high")
MAIN_OUTCOMES = ("separation_loss", "cleaning_loss", "machine_loss", "throughput", "capacity")
# A row of a settings log and a change of that setting nearer than this are one.
TWINS = timedelta(minutes=2)
OTHER_OUTCOMES = ("broken_grain", "non_grain", "returns", "fuel_per_tonne")


@dataclass(frozen=True, slots=True)
class Outcome:
    """One outcome of one change: a row of ``effects``. Percentages are None where there is no estimate."""

    name: str
    verdict: str
    percent: float | None
    low: float | None
    high: float | None
    log_ratio: float | None
    log_low: float | None
    log_high: float | None
    absolute: str | None
    reasons: tuple[str, ...]
    absolute_kg_ha: tuple[float, float, float] | None = None
    plain_percent: float | None = None
    chance_less: float | None = None
    alone: tuple[float, float, float] | None = None
    """What this log says alone, log ratio with its 95 % range."""
    hidden_step: tuple[float, float | None] | None = None
    """Step at the same moment, %, that would explain the verdict, and how often one as large is seen (0 to 1)."""

    @property
    def words(self) -> str:
        return terms.OUTCOME_WORDS.get(self.name, self.name)

    @property
    def tone(self) -> str:
        return terms.tone(self.name, self.verdict)

    @property
    def known(self) -> bool:
        return self.verdict != "cannot tell" and None not in (self.percent, self.low, self.high)

    @property
    def has_range(self) -> bool:
        """Whether there is an estimate with a range, however wide."""
        return None not in (self.log_ratio, self.log_low, self.log_high)

    @property
    def open(self) -> bool:
        """Whether neither way is at least likely."""
        if self.verdict in ("less", "more"):
            return False
        return not self.known or self.chance_less is None or confidence(self.chance_less).word == "open"

    @property
    def cells(self) -> list[str]:
        """Verdict, change and range in % for a table; dashes where there are no numbers."""
        if self.percent is None or self.low is None or self.high is None:
            return [self.verdict, "–", "–"]
        return [self.verdict, signed(self.percent), f"{signed(self.low)} to {signed(self.high)}"]

    @property
    def phrase(self) -> str:
        """``cleaning loss up 31 % (14 to 51 %)``."""
        if self.percent is None or self.low is None or self.high is None:
            return f"{self.words} {self.verdict}"
        return f"{self.words} {terms.change_in_words(self.percent, self.low, self.high)}"

    @property
    def misleading_comparison(self) -> str:
        """What comparing the means before and after shows, where that is outside the range; empty otherwise."""
        if not self.known or self.plain_percent is None or self.low is None or self.high is None:
            return ""
        if self.low <= self.plain_percent <= self.high:
            return ""
        way = "up" if self.plain_percent > 0 else "down"
        size = significant(abs(self.plain_percent))
        spiked = "loss_spiked_before" in self.reasons
        why = " Loss had just spiked and was coming down anyway." if spiked else ""
        return f"{self.words} {way} {size}{NARROW}%.{why}"

    @property
    def explained_away(self) -> str:
        """What, in no log, would have to begin with the change to explain a called verdict; empty without one."""
        if self.hidden_step is None or self.verdict not in ("less", "more"):
            return ""
        percent, share = self.hidden_step
        patch = "bad patch" if percent > 0 else "good patch"
        text = (
            f"{capitalized(self.words)}: an unlogged {patch} ({signed(percent)}{NARROW}%) starting within a "
        )
        text += "minute of the change would explain this."
        if share is None:
            return text
        often = f"{100 * share:.0f}{NARROW}%" if share >= 0.005 else "none"
        return f"{text} Of the moments tried without a change, {often} showed a step as large."

    def absolute_in(self, mass_per_area: Scale) -> str | None:
        """``+12 kg/ha (+2.2 to +23)`` in the shown unit; None where no loss check calibrates the signal."""
        if self.absolute_kg_ha is None:
            return self.absolute
        middle, low, high = (value * mass_per_area[0] for value in self.absolute_kg_ha)
        unit = f"{NARROW}{mass_per_area[1]}"
        return f"{signed(middle)}{unit} ({signed(low)} to {signed(high)})"

    @property
    def why(self) -> str:
        """Why there is no verdict; never empty."""
        refusals = [reason_sentence(code) for code in self.reasons]
        return " ".join(refusals) or "No reason was recorded; check the readings on both sides."


@dataclass(frozen=True, slots=True)
class ShownChange:
    """One adjustment, or the settings of one joint change.

    settings : (setting, from_value, to_value, unit) of each. seconds_before, seconds_after : usable work.
    outcomes : in the order of the contract. trial : that it is a switch of. is_comparison : of two values of
    a whole trial, with its switches.
    """

    number: int
    time: datetime
    last_time: datetime
    settings: tuple[tuple[str, str | None, str | None, str | None], ...]
    joint_id: str | None
    outcomes: tuple[Outcome, ...]
    seconds_before: float
    seconds_after: float
    placebos: int
    trial: str | None = None
    is_comparison: bool = False
    switches: tuple[ShownChange, ...] = ()

    @property
    def title(self) -> str:
        if self.is_comparison:
            return terms.compared_values(*self.settings[0])
        return " and ".join(terms.setting_change(*one) for one in self.settings)

    @property
    def numbers(self) -> str:
        """Its number; of a trial those of its first and last switch."""
        return f"{self.number}–{self.switches[-1].number}" if len(self.switches) > 1 else f"{self.number}"

    def outcome(self, name: str) -> Outcome | None:
        return next((o for o in self.outcomes if o.name == name), None)

    def with_verdict(self, *verdicts: str) -> list[Outcome]:
        return [o for o in self.outcomes if o.verdict in verdicts]

    @property
    def clear(self) -> list[Outcome]:
        return self.with_verdict("less", "more")

    @property
    def unclear(self) -> list[str]:
        """Main outcomes without a clear change, in words."""
        return [o.words for o in self.outcomes if o.name in MAIN_OUTCOMES and o.verdict == "no clear change"]

    @property
    def undecided(self) -> list[tuple[list[str], str]]:
        """(main outcomes that can't be judged, why), those with the same reasons together."""
        by_reason: dict[str, list[str]] = {}
        for outcome in self.outcomes:
            if outcome.name in MAIN_OUTCOMES and outcome.verdict == "cannot tell":
                by_reason.setdefault(outcome.why, []).append(outcome.words)
        return [(words, why) for why, words in by_reason.items()]

    @property
    def misleading_comparison(self) -> str:
        """What comparing means before and after would say of a loss, where that misleads; else empty."""
        said = [o.misleading_comparison for o in self.outcomes if o.name in LOSS_OUTCOMES]
        first = next(filter(None, said), "")
        return first and f"Comparing the quarter hours before and after would have shown {first}"

    @property
    def explained_away(self) -> list[str]:
        """What would explain each called loss, a sentence each."""
        return [one for o in self.outcomes if (one := o.explained_away)]

    @property
    def reason_codes(self) -> list[str]:
        return list(dict.fromkeys(code for o in self.outcomes for code in o.reasons))


def of_field(row: dict[str, Any]) -> pl.Expr:
    """Picks the rows, with ``field`` and ``time``, of a row of ``machine_fields``."""
    here = pl.col("field").eq_missing(pl.lit(row["field"], pl.String))
    return here if row.get("day") is None else here & (pl.col("time").dt.date() == row["day"])


def changes_of(effects: pl.DataFrame, adjustments: pl.DataFrame) -> list[ShownChange]:
    """Changes in order of time.

    effects : rows of scope ``adjustment`` of one field job. adjustments : those of the machine within the
    field's time; those without effects become changes without outcomes.
    """
    together: dict[Any, list[dict[str, Any]]] = {}
    for row in effects.filter(pl.col("scope") == "adjustment").iter_rows(named=True):
        together.setdefault(row["joint_id"] or (row["time"], row["setting"]), []).append(row)
    estimated = [_change(rows) for rows in together.values()]
    known = {(s[0], time) for c, times in estimated for s, time in zip(c.settings, times, strict=True)}
    rest = [_bare(row) for row in adjustments.iter_rows(named=True) if not _is_twin(row, known)]
    ordered = sorted([c for c, _ in estimated] + rest, key=lambda c: (c.time, c.title))
    return [replace(change, number=number) for number, change in enumerate(ordered, 1)]


def _is_twin(row: dict, known: set[tuple[str, datetime]]) -> bool:
    """Whether a logged row is a change already listed: the same setting at nearly the same time."""
    return any(setting == row["setting"] and abs(time - row["time"]) < TWINS for setting, time in known)


def _change(rows: Sequence[dict[str, Any]]) -> tuple[ShownChange, list[datetime]]:
    first: dict[str, dict[str, Any]] = {}
    for row in sorted(rows, key=lambda row: (row["time"], row["setting"])):
        first.setdefault(row["setting"], row)
    settings = list(first.values())
    lead = [row for row in rows if row["setting"] == settings[0]["setting"]]
    by_outcome = {row["outcome"]: row for row in reversed(lead)}
    order = {name: i for i, name in enumerate(OUTCOMES)}
    outcomes = sorted(map(outcome_of, by_outcome.values()), key=lambda o: order.get(o.name, 99))
    times = [row["time"] for row in rows]

    def most(name: str) -> float:
        return max((row[name] for row in lead if row[name] is not None), default=0)

    change = ShownChange(
        0,
        min(times),
        max(times),
        tuple((row["setting"], row["from_value"], row["to_value"], row["unit"]) for row in settings),
        settings[0]["joint_id"],
        tuple(outcomes),
        float(most("readings_before")),
        float(most("readings_after")),
        int(most("placebos")),
        settings[0]["trial"],
    )
    return change, [row["time"] for row in settings]


def _bare(row: dict) -> ShownChange:
    one = (row["setting"], row["from_value"], row["to_value"], row["unit"])
    return ShownChange(0, row["time"], row["time"], (one,), None, (), 0.0, 0.0, 0)


def outcome_of(row: dict) -> Outcome:
    """An ``Outcome`` from a row of ``effects``."""
    absolute, kg_ha = None, None
    alone = [
        float("nan") if (value := row.get(f"alone_log_ratio{end}")) is None else float(value) for end in _ENDS
    ]
    if row["absolute"] is not None:
        unit = row["absolute_unit"] or "kg/ha"
        ends = f"{significant(row['absolute_low'])} to {significant(row['absolute_high'])}"
        if unit == "kg/ha":
            kg_ha = (row["absolute"], row["absolute_low"], row["absolute_high"])
        else:
            absolute = f"{significant(row['absolute'])} {unit} ({ends}{NARROW}{unit})"
    return Outcome(
        row["outcome"],
        row["verdict"],
        row["percent"],
        row["percent_low"],
        row["percent_high"],
        row["log_ratio"],
        row["log_ratio_low"],
        row["log_ratio_high"],
        absolute,
        tuple(row["reasons"] or ()),
        kg_ha,
        row.get("plain_percent"),
        row.get("chance_less"),
        None if alone[0] != alone[0] else (alone[0], alone[1], alone[2]),
        (row["hidden_step_percent"], row.get("hidden_step_share"))
        if row.get("hidden_step_percent") is not None
        else None,
    )


def headline(
    change: ShownChange, feed: float | None, unit: str = "t/h", mass_per_area: Scale = (1.0, "kg/ha")
) -> str:
    """One sentence or two for a change: what is clear, capacity in t/h, else why nothing is.

    feed : typical grain feed rate before the change in ``unit``, which turns capacity from % into that unit.
    mass_per_area : factor from kg/ha and the shown unit, for losses that a loss check calibrates.
    """
    if not change.outcomes:
        return (
            "Cannot tell: no effect was estimated, because there is too little steady work around the change."
        )
    clear = [o for o in change.with_verdict("less", "more") if o.name != "capacity"]
    at_same_feed = [_weighed(o, mass_per_area) for o in clear if o.name in LOSS_OUTCOMES]
    others = [o.phrase for o in clear if o.name not in LOSS_OUTCOMES]
    parts = [capitalized(listed(at_same_feed)) + " at the same grain feed rate."] if at_same_feed else []
    parts += [capitalized(listed(others)) + "."] if others else []
    capacity = change.outcome("capacity")
    if capacity is not None and capacity.verdict in ("less", "more"):
        parts.append(capacity_sentence(capacity, feed, unit))
    if parts:
        return " ".join(parts)
    unclear = change.with_verdict("no clear change")
    likely = [
        f"{o.words} {signed(o.percent or 0.0)}{NARROW}%, {confidence(o.chance_less or 0.5).text}"
        for o in unclear
        if not o.open
    ]
    if likely:
        return f"{capitalized('; '.join(likely))}. No change is sure."
    if unclear:
        return "No clear change in " + listed([o.words for o in unclear]) + "."
    return "Cannot tell: " + " ".join(dict.fromkeys(reason_sentence(code) for code in change.reason_codes))


def _weighed(outcome: Outcome, mass_per_area: Scale) -> str:
    """The phrase with kg/ha where a loss check gives them: ``..., that is 12 kg/ha (2.2 to 23 kg/ha) more``."""
    if outcome.absolute_kg_ha is None:
        return outcome.phrase
    middle, *ends = (value * mass_per_area[0] for value in outcome.absolute_kg_ha)
    if min(ends) <= 0 <= max(ends):
        return outcome.phrase
    unit = f"{NARROW}{mass_per_area[1]}"
    low, high = sorted(abs(end) for end in ends)
    size = f"{significant(abs(middle))}{unit} ({significant(low)} to {significant(high)}{unit})"
    return f"{outcome.phrase}, that is {size} {'more' if middle > 0 else 'less'}"


def capacity_sentence(capacity: Outcome, feed: float | None, unit: str) -> str:
    """``Capacity about 1.6 t/h lower (0.4 to 2.8 t/h).``; in % where the feed rate is unknown."""
    assert capacity.percent is not None and capacity.low is not None and capacity.high is not None
    if not feed:
        return capitalized(capacity.phrase) + "."
    word = "higher" if capacity.percent > 0 else "lower"
    ends = sorted(abs(x) / 100 * feed for x in (capacity.low, capacity.high))
    size = significant(abs(capacity.percent) / 100 * feed)
    span = f"{significant(ends[0])} to {significant(ends[1])}"
    return f"Capacity about {size}{NARROW}{unit} {word} ({span}{NARROW}{unit}) at the same loss."
