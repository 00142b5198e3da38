"""The changes of a machine in a crop as lines, with where it worked on its loss curve: one source for all pages."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import polars as pl
from chaffinch.dashboards.words.settings_now import SettingLine, lines_of
from chaffinch.dashboards.words.shown_changes import changes_of
from chaffinch.pipelines.trials.answers.worth_trying import Suggestion
from chaffinch.schemas.tables import NOT_LOGGED, tables

Row = dict[str, Any]


@dataclass(frozen=True, slots=True)
class MachineLines:
    """lines : of a machine in a crop, newest first. curves : for each its row of ``loss_curves``, or None."""

    machine: str
    crop: str | None
    lines: list[SettingLine]
    curves: list[Row | None]


def machine_lines(
    effects: pl.DataFrame, loss_curves: pl.DataFrame, adjustments: pl.DataFrame
) -> list[MachineLines]:
    """Every machine and crop of ``effects``, by name; loss_curves, adjustments : whole tables.

    What was changed in one field only is answered as on the page of that field: by its rows, on its loss curve. The
    value now in force is that of the machine's last adjustment before it went on to another crop, whether or not
    its effect could be estimated.
    """
    known = effects.filter(pl.col("setting") != NOT_LOGGED)
    changed = known.filter(pl.col("scope") == "adjustment").partition_by("machine", as_dict=True)
    pooled = known.filter(pl.col("scope").is_in(["machine", "field"])).partition_by("machine", as_dict=True)
    curves = loss_curves.partition_by("machine", as_dict=True)
    logged = adjustments.partition_by("machine", as_dict=True)
    found = []
    for (machine,), mine in sorted(changed.items()):
        rows = pooled.get((machine,), known.clear())
        of_machine = curves.get((machine,), loss_curves.clear())
        own = logged.get((machine,), adjustments.clear())
        for crop in mine["crop"].unique().sort(nulls_last=True).to_list():
            found.append(_of_crop(str(machine), crop, mine, rows, of_machine, own))
    return found


def not_known(suggested: Sequence[Suggestion], lines: Sequence[MachineLines]) -> list[Suggestion]:
    """Trials that would pay, without those of two values of which a change has shown already which is better."""
    known = {
        (one.machine, one.crop, line.setting, frozenset(line.settings[0][1:3]))
        for one in lines
        for line in one.lines
        if (found := line.raised or line.lowered) is not None and found.verdict in ("less", "more")
    }
    return [
        one
        for one in suggested
        if (one.machine, one.crop, one.setting, frozenset((f"{one.value:g}", f"{one.value_in_use:g}")))
        not in known
    ]


def _of_crop(
    machine: str,
    crop: str | None,
    changed: pl.DataFrame,
    pooled: pl.DataFrame,
    curves: pl.DataFrame,
    logged: pl.DataFrame,
) -> MachineLines:
    here = pl.col("crop").eq_missing(pl.lit(crop, pl.String))
    mine, rows = changed.filter(here), pooled.filter(here)
    alone = mine.filter(pl.col("joint_id").is_null())
    in_one = alone.group_by("setting").agg(pl.struct("field", pl.col("time").dt.date()).n_unique().alias("n"))
    single = in_one.filter(pl.col("n") == 1)["setting"].to_list()
    by_field = rows.filter((pl.col("scope") == "field") & pl.col("setting").is_in(single))
    by_machine = rows.filter((pl.col("scope") == "machine") & ~pl.col("setting").is_in(single))
    of_crop = curves.filter(here)
    whole = of_crop.filter(pl.col("first_time").is_null())
    machine_curve = whole.row(0, named=True) if whole.height else None
    fields = of_crop.filter(pl.col("first_time").is_not_null()).sort("first_time").to_dicts()
    error = machine_curve["loss_log_error"] if machine_curve else None
    changes = changes_of(mine.drop("href", strict=False), tables()["adjustments"].empty())
    lines = lines_of(changes, pl.concat([by_field, by_machine]), error, _in_force(mine, changed, logged))
    found = []
    for line in lines:
        before = [row for row in fields if row["first_time"] <= line.last_time]
        one_field = line.setting is None or line.setting in single
        found.append(before[-1] if one_field and before else machine_curve)
    return MachineLines(machine, crop, lines, found)


def _in_force(mine: pl.DataFrame, changed: pl.DataFrame, logged: pl.DataFrame) -> dict[str, str | None]:
    """The last value of each setting before the machine went on to another crop."""
    last = mine["time"].max()
    later = changed.filter((pl.col("time") > last) & ~pl.col("time").is_in(mine["time"].implode()))
    end = later["time"].min()
    within = logged if end is None else logged.filter(pl.col("time") < end)
    return {row["setting"]: row["to_value"] for row in within.sort("time").iter_rows(named=True)}
