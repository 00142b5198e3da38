"""What pages of machines and crops need of a field's readings, kept when the field's page is made.

Reading the logs of a thousand fields again for every such page would take too long.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from typing import Any

import polars as pl
from chaffinch.dashboards.figures.dependence import Point
from chaffinch.dashboards.figures.field_data import median_of
from chaffinch.dashboards.figures.forest import Key, key_and_amount
from chaffinch.dashboards.pages.settings_in_use import InUse
from chaffinch.dashboards.words import terms as words
from chaffinch.dashboards.words.shown_changes import ShownChange
from chaffinch.pipelines.agronomy.exact import REACH_95
from chaffinch.pipelines.farm import Farm

Facts = dict[str, Any]


def field_facts(
    crop: str | None,
    changes: Sequence[ShownChange],
    sides: Sequence[tuple[pl.DataFrame, pl.DataFrame]],
    in_use: Sequence[InUse],
) -> Facts:
    """As it is kept in JSON. conditions : [time, setting, moisture in %, grain feed rate in t/h] of each change
    of one setting, medians of steady work on both sides.
    """
    conditions = []
    for change, both in zip(changes, sides, strict=True):
        if len(change.settings) == 1:
            work = pl.concat(list(both))
            medians = [median_of(work, column) for column in ("moisture_aligned_pct", "feed_rate_t_h")]
            conditions.append([change.time.isoformat(), change.settings[0][0], *medians])
    return {
        "crop": crop,
        "conditions": conditions,
        "in_use": [[one.setting, one.value, one.minutes] for one in in_use],
    }


def single_effects(
    adjustments: pl.DataFrame, factor: float, facts: Mapping[str, Facts], pooled: Collection[Key], farm: Farm
) -> dict[Key, list[Point]]:
    """Effects of adjustments made on their own, for one step each, with the conditions they were made in.

    adjustments : rows of scope ``adjustment`` with ``href`` of their field's page. factor : from t/h to the
    shown feed rate. pooled, farm : see ``key_and_amount``.
    """
    made_in = {
        (href, time, setting): (moisture, feed)
        for href, noted in facts.items()
        for time, setting, moisture, feed in noted["conditions"]
    }
    found: dict[Key, list[Point]] = {}
    known = adjustments.filter(pl.col("joint_id").is_null()).drop_nulls(
        ["log_ratio", "log_ratio_low", "log_ratio_high"]
    )
    for row in known.sort("time", "machine", "field", "outcome").iter_rows(named=True):
        keyed = key_and_amount(row, pooled, farm)
        if keyed is None:
            continue
        key, amount = keyed
        moisture, feed = made_in.get((row["href"], row["time"].isoformat(), row["setting"]), (None, None))
        error = (row["log_ratio_high"] - row["log_ratio_low"]) / (2 * REACH_95)
        found.setdefault(key, []).append(
            Point(
                f"{words.field_label(row['field'])}, {row['machine']}, "
                f"{words.day(row['time'], None)} {words.clock(row['time'], None)}",
                row["outcome"],
                row["log_ratio"] / amount,
                abs(error / amount),
                moisture,
                None if feed is None else feed * factor,
            )
        )
    return found


def hours_at_values(facts: Iterable[Facts]) -> dict[tuple[str | None, str], dict[str, float]]:
    """(crop, setting) to value to hours of steady work, most first."""
    total: dict[tuple[str | None, str], dict[str, float]] = {}
    for noted in facts:
        for setting, value, minutes in noted["in_use"]:
            hours = total.setdefault((noted["crop"], setting), {})
            hours[value] = hours.get(value, 0.0) + minutes / 60
    return {
        key: dict(sorted(hours.items(), key=lambda item: (-item[1], item[0]))) for key, hours in total.items()
    }
