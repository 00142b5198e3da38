"""Every change of the season report, by field."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from chaffinch.dashboards.paper.blocks import (
    Band,
    Block,
    Cell,
    Grid,
    GridColumn,
    Paragraph,
    cell,
    line,
    quiet,
)
from chaffinch.dashboards.report.season_data import FieldChanges, SeasonData
from chaffinch.dashboards.words import terms as words
from chaffinch.dashboards.words.shown_changes import MAIN_OUTCOMES, Outcome, ShownChange
from chaffinch.dashboards.words.terms import signed
from chaffinch.pipelines.farm import Farm

# A list of more changes than this would be too many pages; the sheets hold every one.
MOST_CHANGES = 300
# Changes in the narrow tables of paper: the losses and throughput; capacity follows from them.
CHANGE_OUTCOMES = MAIN_OUTCOMES[:4]
MARKS = {"less": "▼ ", "more": "▲ ", "no clear change": "", "cannot tell": ""}


def changes_blocks(by_field: Sequence[FieldChanges], data: SeasonData, farm: Farm) -> Iterator[Block]:
    """Every change with its effects, numbered reasons below; of a very long season only the clear ones."""
    every = sum(len(one.changes) for one in by_field)
    rows: list[Sequence[Cell] | Band] = []
    codes: dict[str, int] = {}
    listed = 0
    for one in by_field:
        kept = [c for c in one.changes if every <= MOST_CHANGES or c.clear][: MOST_CHANGES - listed]
        listed += len(kept)
        if kept:
            row, zone = one.row, farm.zone_of(one.row["machine"])
            where = (row["machine"], words.crop_label(one.crop), words.day(row["first_time"], zone))
            rows.append(Band(line(words.field_label(row["field"]), (f" · {' · '.join(where)}", "quiet"))))
            rows += [_change_cells(c, zone, codes) for c in kept]
    out = (
        f" {every - listed:,} changes are not listed; the .xlsx report has all of them."
        if every > listed
        else ""
    )
    yield Paragraph(
        line(
            "Each adjustment as logged, with its effect in % and its range; ▼ less and ▲ more where that is clear. "
            f"Settings changed together share one effect. Times: {_zones(data, farm)}.{out}"
        )
    )
    columns = [
        GridColumn("Change", 2.6),
        *(GridColumn(words.capitalized(words.OUTCOME_WORDS[name]), 1.3) for name in CHANGE_OUTCOMES),
    ]
    if rows:
        yield Grid("Changes by field, in order of time", columns, rows, small=True)
    if codes:
        yield Paragraph(
            line(
                quiet(" ".join(f"{number}: {words.reason_sentence(code)}" for code, number in codes.items()))
            )
        )


def _change_cells(change: ShownChange, zone: str | None, codes: dict[str, int]) -> list[Cell]:
    refused = dict.fromkeys(code for o in change.outcomes if o.verdict == "cannot tell" for code in o.reasons)
    marks = ", ".join(str(codes.setdefault(code, len(codes) + 1)) for code in refused)
    also = [o.phrase for o in change.clear if o.name not in CHANGE_OUTCOMES]
    remarks = [
        f"Also {'; '.join(also)}." if also else "",
        "" if change.outcomes else "No effect was estimated: too little steady work around it.",
    ]
    lead = line(
        quiet(f"{words.clock(change.time, zone)} "),
        change.title,
        quiet(" (together)") if len(change.settings) > 1 else "",
        quiet(f" [{marks}]") if marks else "",
    )
    return [
        cell(lead, *(quiet(text) for text in remarks if text)),
        *(effect_cell(change.outcome(name)) for name in CHANGE_OUTCOMES),
    ]


def effect_cell(outcome: Outcome | None) -> Cell:
    """``▼ −50 (−56 to −43)``; the verdict if it has no number."""
    if outcome is None:
        return cell(quiet("–"))
    if not outcome.known:
        return cell(quiet(outcome.verdict))
    tone = outcome.tone if outcome.verdict in ("less", "more") else ""
    head = f"{MARKS[outcome.verdict]}{signed(outcome.percent or 0.0)}"
    ends = f" ({signed(outcome.low or 0.0)} to {signed(outcome.high or 0.0)})"
    return cell(line((head, tone), quiet(ends)))


def _zones(data: SeasonData, farm: Farm) -> str:
    """``UTC``, or each machine's zone."""
    zones = {name: farm.zone_of(name) or "UTC" for name in data.where["machine"].unique().sort()}
    if len(set(zones.values())) == 1:
        return next(iter(zones.values()))
    return "; ".join(f"{name}: {zone}" for name, zone in zones.items())
