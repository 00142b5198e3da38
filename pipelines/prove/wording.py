"""The result of a proof in sentences and as a table for the terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from chaffinch.pipelines.prove.scoring import Score, percent
from chaffinch.pipelines.prove.trial import ADJUSTMENT, OURS, STRUCTURAL

if TYPE_CHECKING:
    from rich.table import Table

# Fewer cases of a tenth say nothing within five points.
MANY_CASES = 400
# Columns of the table: heading, score or the two ends of its range, and how it is written.
SHOWN_SCORES = {
    "answered": ("share_answered", "%"),
    "held": ("coverage", "%"),
    "by chance": ("coverage_low", "coverage_high", "%"),
    "bias": ("bias", "+.3f"),
    "RMSE": ("root_mean_square_error", ".3f"),
    "width": ("mean_width", ".3f"),
    "x oracle": ("width_to_oracle", ".2f"),
    "at 95 %": ("width_to_oracle_at_level", ".2f"),
    "x struct.": ("width_to_structural", ".2f"),
    "log score": ("log_score", ".2f"),
    "called": ("share_called", "%"),
    "of these held": ("coverage_called", "%"),
    "false": ("share_called_without_effect", "%"),
    "wrong sign": ("share_wrong_sign", "%"),
}


def sentences(proof: dict[str, Any]) -> list[str]:
    """A few sentences for each scenario, then whether the estimator passed."""
    said = [
        f"Seed {proof['seed']}, {proof['seasons']} season{'s' * (proof['seasons'] > 1)} a scenario; "
        f"outcomes: {', '.join(proof['outcomes'])}."
    ]
    ours = [s for s in proof["scores"] if s["method"] == OURS]
    for one in ours:
        said.append(_of_scenario(one, [s for s in proof["scores"] if s["scenario"] == one["scenario"]]))
        said += [_of_scope(s) for s in proof["scores_by_scope"] if s["scenario"] == one["scenario"]]
    if (off := furthest_off(proof["reliability"])) is not None:
        said.append(f"Chances of less loss: furthest off where {off}.")
    if len(proof["outcomes"]) > 2:
        said += [_of_outcome(s) for s in proof["scores_by_outcome"] if s["method"] == OURS]
    if proof["fields_of_structural"]:
        said.append(
            f"The {STRUCTURAL} ran on {proof['fields_of_structural']} field jobs of each scenario's first season: "
            "it is slow."
        )
    if proof["failings"]:
        return [*said, "Failed:", *proof["failings"]]
    return [*said, f"Passed in {'all ' * (len(ours) > 1)}{len(ours)} scenario{'s' * (len(ours) > 1)}."]


def _of_scenario(ours: Score, all_methods: list[Score]) -> str:
    if not ours["answered"]:
        return f"{ours['scenario']}: none of {ours['effects']} true effects was estimated."
    said = (
        f"{ours['scenario']}: {percent(ours['coverage'])} of the ranges hold the true effect "
        f"({percent(ours['coverage_low'])} to {percent(ours['coverage_high'])} by chance); "
        f"{ours['answered']} effects estimated, {percent(ours['share_answered'])} of all"
    )
    if ours["width_to_oracle"] is not None:
        said += f"; {ours['width_to_oracle']:.2f} times as wide as an oracle's ranges"
        if ours["width_to_oracle_at_level"] is not None:
            said += f" ({ours['width_to_oracle_at_level']:.2f} where both hold 95 %)"
    if ours["without_effect"]:
        said += (
            f"; {percent(ours['share_called_without_effect'])} false alarms "
            f"in {ours['without_effect']} changes without an effect"
        )
    if ours["verdicts_on_effects"]:
        said += f"; wrong sign in {ours['wrong_sign']} of {ours['verdicts_on_effects']} verdicts"
    if ours["called"]:
        said += (
            f"; {percent(ours['share_called'])} called, of which {percent(ours['coverage_called'])} hold, "
            f"{_decimal(ours['exaggeration'], '.2f')} times the true size on average"
        )
    if ours["called_to_alone"] is not None:
        said += f"; {ours['called_to_alone']:.2f} times as many as each log alone would call"
    if ours["joint_changes"]:
        said += f"; {ours['joint_told_as_one']} rows of joint changes attributed to one setting"
    others = [
        f"{s['method']} {percent(s['coverage'])}"
        for s in all_methods
        if s["method"] != OURS and s["coverage"] is not None
    ]
    return said + (f". Other methods: {', '.join(others)}." if others else ".")


def _of_scope(one: Score) -> str:
    said = f"{one['scenario']}, {one['scope']}: {percent(one['coverage'])} of {one['answered']} ranges hold"
    if one["called"]:
        said += f"; {one['called']} called, of which {percent(one['coverage_called'])} hold"
        said += f", {one['wrong_sign']} with the wrong sign"
    return said + "."


def furthest_off(tenths: list[dict[str, Any]]) -> str | None:
    """The tenth of ``chance_less`` of single changes with enough cases that lies furthest from what happened."""
    many = [t for t in tenths if t["scope"] == ADJUSTMENT and t["cases"] >= MANY_CASES]
    if not many:
        return None
    worst = max(many, key=lambda t: abs(t["stated"] - t["fell"]))
    return f"{percent(worst['stated'])} were stated and {percent(worst['fell'])} of {worst['cases']} fell"


def _of_outcome(one: Score) -> str:
    return (
        f"{one['scenario']}, {one['outcome']}: {percent(one['coverage'])} of {one['answered']} ranges hold; "
        f"{percent(one['share_answered'])} of all effects estimated."
    )


def score_table(proof: dict[str, Any]) -> Table:
    """The scores as a table for a terminal; widths, bias and error on the natural-log scale."""
    from rich.table import Table

    table = Table(title=f"Seed {proof['seed']}")
    for name in ("scenario", "method"):
        table.add_column(name, no_wrap=True)
    for name in ("effects", *SHOWN_SCORES):
        table.add_column(name, justify="right")
    before = None
    for one in proof["scores"]:
        new = one["scenario"] != before
        if new and before is not None:
            table.add_section()
        before = one["scenario"]
        cells = [
            " to ".join(_decimal(one[key], form) for key in keys) for *keys, form in SHOWN_SCORES.values()
        ]
        style = "bold" if one["method"] == OURS else None
        table.add_row(one["scenario"] if new else "", one["method"], str(one["effects"]), *cells, style=style)
    return table


def _decimal(value: float | None, form: str) -> str:
    if form == "%":
        return percent(value)
    return "-" if value is None else format(value, form)
