"""The pooled effects of a season report, for the page and the sheets."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl
from chaffinch.dashboards.report.season_data import SeasonData
from chaffinch.dashboards.words import terms as words
from chaffinch.dashboards.words.shown_changes import Outcome, outcome_of
from chaffinch.pipelines.estimate.results.pooling import pool_between

SAME_CHANGE = ["setting", "from_value", "to_value", "per_step", "unit"]
SHOWN = ("separation_loss", "cleaning_loss", "machine_loss", "throughput")
NORMAL_95 = 1.959963984540054
# Remarks on the range of one field, which is another when fields are pooled.
SAID_OF_ONE_RANGE = ("wide_range", "just_clear")


@dataclass(frozen=True, slots=True)
class SettingEffects:
    """One change of one setting, pooled. outcomes : by name. adjustments : the most behind any of them."""

    name: str
    setting: str
    machine: str | None
    crop: str | None
    outcomes: dict[str, Outcome]
    adjustments: int
    fields: int

    @property
    def also(self) -> list[Outcome]:
        """Clear changes of outcomes without a column."""
        return [o for n, o in self.outcomes.items() if n not in SHOWN and o.verdict in ("less", "more")]

    @property
    def why(self) -> list[str]:
        """Why an outcome can't be judged, each reason once."""
        refused = [o for o in self.outcomes.values() if o.verdict == "cannot tell"]
        return list(dict.fromkeys(o.why for o in refused))

    @property
    def clear(self) -> list[Outcome]:
        return [o for o in self.outcomes.values() if o.verdict in ("less", "more")]


@dataclass(frozen=True, slots=True)
class Group:
    """Settings under one heading, in the order of the catalogue."""

    title: str
    settings: list[SettingEffects]


def by_crop(data: SeasonData) -> list[Group]:
    """The season's pooled effects, a group a crop; over all crops last, for settings changed in several."""
    season = data.effects.filter(pl.col("scope") == "season")
    fields = data.effects.filter(pl.col("scope") == "field")
    crops = season["crop"].unique().sort(nulls_last=True).to_list()
    over_all = season.filter(pl.col("crop").is_null())
    mixed = fields["crop"].n_unique() > 1 and over_all.height > 0
    groups = []
    for crop in crops:
        rows = season.filter(pl.col("crop").eq_missing(pl.lit(crop, pl.String)))
        behind = fields if crop is None else fields.filter(pl.col("crop") == crop)
        title = (
            words.crop_label(crop)
            if crop is not None
            else ("All crops together" if mixed else "Crop not logged")
        )
        groups.append(Group(title, _settings(rows, behind)))
    return groups


def by_machine(data: SeasonData) -> list[Group]:
    """Each machine's fields pooled by random effects, as the season's are; a group a machine."""
    fields = data.effects.filter(pl.col("scope") == "field")
    groups = []
    for machine in fields["machine"].drop_nulls().unique().sort().to_list():
        mine = fields.filter(pl.col("machine") == machine)
        listed: list[SettingEffects] = []
        for crop in mine["crop"].unique().sort(nulls_last=True).to_list():
            own = mine.filter(pl.col("crop").eq_missing(pl.lit(crop, pl.String)))
            listed += _settings(pool_fields(own), own)
        groups.append(Group(machine, listed))
    return groups


def pool_fields(fields: pl.DataFrame) -> pl.DataFrame:
    """Rows of scope ``field`` pooled over fields: one row a change of a setting, outcome, machine and crop.

    The standard error of a field comes back from its 95 % range, which is a normal one. Fields
    without an estimate are left out; a change without any estimate keeps the first refusal.
    """
    key = [*SAME_CHANGE, "outcome", "machine", "crop"]
    rows = []
    ordered = fields.sort([*key, "field"], nulls_last=True)
    for _, members in ordered.group_by(key, maintain_order=True):
        usable = members.drop_nulls(["log_ratio", "log_ratio_low", "log_ratio_high"])
        rows.append(members.row(0, named=True) if usable.height < 2 else _pooled(usable))
    return pl.DataFrame(rows, schema=fields.schema, infer_schema_length=None)


def _pooled(members: pl.DataFrame) -> dict[str, Any]:
    from chaffinch.pipelines.estimate.results.verdicts import answer, numbers

    error = (members["log_ratio_high"] - members["log_ratio_low"]).to_numpy() / (2 * NORMAL_95)
    pooled = pool_between(members["log_ratio"].to_numpy(), np.square(error))
    remarks = members["reasons"].explode().drop_nulls().unique().sort().to_list()
    remarks = [r for r in remarks if r not in SAID_OF_ONE_RANGE]
    found = answer(pooled.estimate, pooled.low, pooled.high, [], remarks, pooled.p_value)
    return members.row(0, named=True) | {
        **numbers(found),
        "field": None,
        "verdict": found.verdict,
        "reasons": list(found.reasons),
        "adjustments_pooled": members["adjustments_pooled"].sum(),
    }


def _settings(rows: pl.DataFrame, behind: pl.DataFrame) -> list[SettingEffects]:
    counts = {key: own.select("machine", "field").n_unique() for key, own in behind.group_by(SAME_CHANGE)}
    ordered = rows.sort(SAME_CHANGE, nulls_last=True)
    listed = []
    for key, own in ordered.group_by(SAME_CHANGE, maintain_order=True):
        found = {row["outcome"]: outcome_of(row) for row in own.iter_rows(named=True)}
        listed.append(
            SettingEffects(
                words.pooled_name(*key),
                str(key[0]),
                own["machine"][0],
                own["crop"][0],
                {name: found[name] for name in words.OUTCOME_WORDS if name in found},
                max(own["adjustments_pooled"].fill_null(0).to_list()),
                counts.get(key, 0),
            )
        )
    return sorted(listed, key=lambda s: (_place(s.setting), s.name))


def _place(setting: str) -> int:
    from chaffinch.schemas.declarations import settings

    names = list(settings())
    return names.index(setting) if setting in names else len(names)


def settings_changed(groups: Iterable[Group]) -> list[str]:
    """Names of the settings in these groups, each once."""
    return list(dict.fromkeys(s.setting for group in groups for s in group.settings))
