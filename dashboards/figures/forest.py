"""Forest figures: a setting's effect over the season, in each field, and at each of its adjustments."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import polars as pl
from chaffinch.dashboards.figures.effect_chart import Row, Weight, effect_chart
from chaffinch.dashboards.figures.parts import Drawn, Folded, ShownTable, draw, rows_of
from chaffinch.dashboards.words import terms as words
from chaffinch.dashboards.words.shown_changes import outcome_of
from chaffinch.pipelines.farm import Farm

MOST_FIELDS_DRAWN, MOST_ROWS_DRAWN = 10, 36
# Adjustments of a field that are shown one by one; a trial's many are one row.
MOST_SINGLE = 4
# Of one figure's table, and of each setting in it: pages stay small in a season of any length.
MOST_ROWS_LISTED, LEAST_LISTED = 80, 4
SAME_CHANGE = ["setting", "from_value", "to_value", "per_step", "unit"]
FLIPPED = {"less": "more", "more": "less"}
Key = tuple[str, str | None, str | None, float | None, str | None]
"""setting, from_value, to_value, per_step, unit: what pooled rows of ``effects`` have in common."""
Rows = list[dict[str, Any]]


@dataclass(frozen=True, slots=True)
class EffectRows:
    """Rows of ``effects`` that a page draws: of fields, of the season, and of adjustments made on their own."""

    per_field: pl.DataFrame
    season: pl.DataFrame
    adjustments: pl.DataFrame


def forest(outcome: str, heading: str, kind: str, effects: EffectRows, farm: Farm) -> Folded | None:
    """One group a change of a setting: the season, then its fields, each with its adjustments; a table of all.

    The change with the largest effect comes first; changes of which nothing is at least likely are folded away.
    """
    per_field, season, adjustments = (
        frame.filter(pl.col("outcome") == outcome)
        for frame in (effects.per_field, effects.season, effects.adjustments)
    )
    pooled = _grouped(season)
    keyed: dict[Key, Rows] = {
        **{key: [] for key in _grouped(_ordered(season))},
        **_grouped(_ordered(per_field)),
    }
    # A trial's switches are in the row of its field.
    at_once = _by_key(adjustments.filter(pl.col("trial").is_null()), keyed.keys(), farm)
    groups = [
        (key, _rows_of_group(rows, pooled.get(key, []), at_once.get(key, []), kind, farm))
        for key, rows in keyed.items()
    ]
    groups.sort(key=lambda group: (-_size(group[1]), tuple(str(part or "") for part in group[0])))
    identity = f"forest-{outcome.replace('_', '-')}"
    parts = [
        _forest([group for group in groups if (_size(group[1]) == 0) == is_open], heading, identity, is_open)
        for is_open in (False, True)
    ]
    return Folded(heading, *parts) if any(parts) else None


Group = tuple[Key, list[tuple[Row, dict[str, Any]]]]


def _size(rows: Sequence[tuple[Row, dict[str, Any]]]) -> float:
    """Largest effect, on the log scale, over the season or in a field that is at least likely; 0 without one."""
    sizes = [
        abs(r.outcome.log_ratio or 0.0) for r, _ in rows if r.weight != "adjustment" and not r.outcome.open
    ]
    return max(sizes, default=0.0)


def _forest(groups: Sequence[Group], heading: str, identity: str, is_open: bool) -> Drawn | None:
    titled: list[tuple[list[str], list[Row]]] = []
    cells: list[list[str]] = []
    drawn = left_out = 0
    for key, rows in groups:
        name = words.pooled_name(*key)
        listed = rows[: max(MOST_ROWS_LISTED - len(cells), LEAST_LISTED)]
        cells += [_cells(name, row, source) for row, source in listed]
        left_out += len(rows) - len(listed)
        shown = _most_telling([row for row, _ in listed], MOST_ROWS_DRAWN - drawn)
        drawn += len(shown)
        titled.append(([words.name_in_figure(name, 42)], [_escaped(row) for row in shown]))
    caption = f"{heading}, effect of each setting over the season, by field and by adjustment"
    if left_out:
        caption += f"; {left_out} more rows are in the table effects"
    table = ShownTable(
        caption,
        ("Change", "Where", "Verdict", "Change, %", "95 % range, %", "Next field, %", "Adjustments"),
        rows_of(cells),
    )
    more = f" {len(cells) - drawn} more rows are only in the table." if len(cells) > drawn else ""
    description = (
        f"{heading}: effect of {len(titled)} changes over the season and in each field, with ranges.{more}"
    )
    return draw(effect_chart(titled), f"{identity}-open" if is_open else identity, description, table)


def by_change(effects: pl.DataFrame) -> list[tuple[Key, pl.DataFrame]]:
    """(change, its rows), in order."""
    return list(_ordered(effects).group_by(SAME_CHANGE, maintain_order=True))


def _ordered(effects: pl.DataFrame) -> pl.DataFrame:
    return effects.sort([*SAME_CHANGE, "machine", "field"], nulls_last=True)


def _grouped(effects: pl.DataFrame) -> dict[Key, Rows]:
    """Rows by change, in their order."""
    found: dict[Key, Rows] = {}
    for row in effects.iter_rows(named=True):
        found.setdefault(tuple(row[name] for name in SAME_CHANGE), []).append(row)
    return found


def key_and_amount(row: dict[str, Any], pooled: Collection[Key], farm: Farm) -> tuple[Key, float] | None:
    """The pooled change that an adjustment belongs to, and how many of its steps the adjustment made.

    pooled : the changes that were pooled; a drum's speed is by tip speed where theirs is. None where the size of
    the adjustment is unknown.
    """
    from chaffinch.pipelines.estimate.data.doses import Dose, at_the_tip, dose_of

    def key_of(dose: Dose) -> Key:
        return dose.setting, dose.from_value, dose.to_value, dose.per_step, dose.unit

    dose = dose_of(row | {"kind": None})
    if dose is None or not dose.amount:
        return None
    diameter_m = farm.diameters_m().get(dose.setting, {}).get(row["machine"])
    tip = at_the_tip(dose, diameter_m) if diameter_m is not None else None
    if tip is not None and key_of(dose) not in pooled and key_of(tip) in pooled:
        dose = tip
    return key_of(dose), dose.amount


def _by_key(adjustments: pl.DataFrame, pooled: Collection[Key], farm: Farm) -> Mapping[Key, Rows]:
    """Adjustments by the pooled change that they belong to, each turned into the effect of one step."""
    found: dict[Key, Rows] = {}
    for row in adjustments.sort("time", "machine").iter_rows(named=True):
        keyed = key_and_amount(row, pooled, farm)
        if keyed is not None:
            found.setdefault(keyed[0], []).append(_of_one_step(row, keyed[1]))
    return found


def by_step(fields: pl.DataFrame, season: pl.DataFrame, farm: Farm) -> pl.DataFrame:
    """Rows of fields in the steps of the season's, so that they can be drawn on one scale.

    The row of a test up and back compares its two values; here it is the effect of one step, and one row with that
    of the field's other changes of the setting, with the numbers of the one from more of them.
    """
    pooled = {key for key, _ in by_change(season)}
    rows: dict[Any, dict[str, Any]] = {}
    for row in fields.iter_rows(named=True):
        keyed = None
        if row["per_step"] is None and row.get("tried_low") is not None:
            keyed = key_and_amount(row, pooled, farm)
        if keyed is not None:
            row = _of_one_step(row, keyed[1]) | dict(zip(SAME_CHANGE, keyed[0], strict=True))
        place = (row["machine"], row["field"], row["outcome"], *(row[name] for name in SAME_CHANGE))
        known = rows.get(place) if row["field"] is not None else None
        if known is not None:
            counts = [one["adjustments_pooled"] or 0 for one in (known, row)]
            row = (row if counts[1] > counts[0] else known) | {"adjustments_pooled": sum(counts)}
        rows[place if row["field"] is not None else len(rows)] = row
    return pl.DataFrame(list(rows.values()), schema=fields.schema, infer_schema_length=None)


def _of_one_step(row: dict[str, Any], amount: float) -> dict[str, Any]:
    ends = [row[name] for name in ("log_ratio", "log_ratio_low", "log_ratio_high")]
    if None in ends:
        return row
    middle, *outer = (end / amount for end in ends)
    logs = dict(zip(("log_ratio", "log_ratio_low", "log_ratio_high"), (middle, *sorted(outer)), strict=True))
    percents = {name.replace("log_ratio", "percent"): 100 * math.expm1(x) for name, x in logs.items()}
    verdict = FLIPPED.get(row["verdict"], row["verdict"]) if amount < 0 else row["verdict"]
    return row | logs | percents | {"verdict": verdict}


def _rows_of_group(
    own: Rows, season: Rows, adjustments: Rows, kind: str, farm: Farm
) -> list[tuple[Row, dict[str, Any]]]:
    rows: list[tuple[Row, dict[str, Any]]] = []
    crops = {row["crop"] for row in (own if kind == "machine" and own else season)}
    for row in season:
        if row["crop"] is not None and row["crop"] not in crops:
            continue
        if not (len(own) == 1 and row["log_ratio"] == own[0]["log_ratio"]):
            rows.append((Row(outcome_of(row), _season_label(row, kind), "season", next_field(row)), row))
    for row in own:
        here = [a for a in adjustments if (a["machine"], a["field"]) == (row["machine"], row["field"])]
        many = f", {len(here)} changes" if len(here) > MOST_SINGLE else ""
        rows.append((Row(outcome_of(row), f"{_field_label(row, kind)}{many}", "field"), row))
        if 1 < len(here) <= MOST_SINGLE:
            rows += [(Row(outcome_of(a), _adjustment_label(a, farm), "adjustment"), a) for a in here]
    return rows


def next_field(season: dict[str, Any]) -> tuple[float, float] | None:
    """Log range expected for the effect in the next field; None where it is not estimated."""
    low, high = season.get("next_field_percent_low"), season.get("next_field_percent_high")
    if low is None or high is None:
        return None
    return math.log1p(low / 100), math.log1p(high / 100)


def _season_label(row: dict[str, Any], kind: str) -> str:
    crop = words.crop_label(row["crop"]) if row["crop"] else "all crops"
    whose = f", {row['machine']}" if row["machine"] else ", all machines" if kind == "machine" else ""
    return f"Season, {crop}{whose}"


def _field_label(row: dict[str, Any], kind: str) -> str:
    field = words.field_label(row["field"]) + (", trial" if row["trial"] else "")
    return f"{field}, {row['machine']}" if kind == "crop" else field


def _adjustment_label(row: dict[str, Any], farm: Farm) -> str:
    zone = farm.zone_of(row["machine"])
    day = words.day(row["time"], zone).rsplit(" ", 1)[0]
    return f"{day}, {words.clock(row['time'], zone)}"


def _escaped(row: Row) -> Row:
    label = words.name_in_figure(row.label, 34)
    return replace(row, label=f"· {label}" if row.weight == "adjustment" else label)


def _most_telling(rows: list[Row], room: int) -> list[Row]:
    """The season first, then fields up to a limit, then adjustments as far as there is room, in their order."""
    rank: dict[Weight, int] = {"season": 0, "field": 1, "adjustment": 2}
    allowed, fields = [], 0
    for k, row in enumerate(rows):
        fields += row.weight == "field"
        if row.weight == "season" or fields <= MOST_FIELDS_DRAWN:
            allowed.append(k)
    least = sum(row.weight == "season" for row in rows) + min(fields, 3)
    kept = sorted(allowed, key=lambda k: (rank[rows[k].weight], k))[: max(room, least)]
    return [rows[k] for k in sorted(kept)]


def _cells(name: str, row: Row, source: dict[str, Any]) -> list[str]:
    beyond = "–"
    if row.next_field is not None:
        low, high = (words.signed(100 * math.expm1(end)) for end in row.next_field)
        beyond = f"{low} to {high}"
    return [
        name,
        row.label,
        *row.outcome.cells,
        beyond,
        str(source["adjustments_pooled"] or 0),
    ]
