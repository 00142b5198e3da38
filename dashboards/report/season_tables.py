"""The pooled effects of a season report, for the page and the sheets."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import polars as pl
from chaffinch.dashboards.figures.forest import by_change
from chaffinch.dashboards.report.season_data import SeasonData
from chaffinch.dashboards.words import terms as words
from chaffinch.dashboards.words.shown_changes import Outcome, outcome_of
from chaffinch.schemas.declarations import settings

SHOWN = ("separation_loss", "cleaning_loss", "machine_loss", "throughput")


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
    """The effects on each machine, a group a machine."""
    machines = data.effects.filter(pl.col("scope") == "machine")
    fields = data.effects.filter(pl.col("scope") == "field")
    groups = []
    for machine in machines["machine"].unique().sort().to_list():
        listed: list[SettingEffects] = []
        own, behind = (frame.filter(pl.col("machine") == machine) for frame in (machines, fields))
        for crop in own["crop"].unique().sort(nulls_last=True).to_list():
            of_crop = pl.col("crop").eq_missing(pl.lit(crop, pl.String))
            listed += _settings(own.filter(of_crop), behind.filter(of_crop))
        groups.append(Group(machine, listed))
    return groups


def _settings(rows: pl.DataFrame, behind: pl.DataFrame) -> list[SettingEffects]:
    listed = []
    for key, own in by_change(rows):
        found = {row["outcome"]: outcome_of(row) for row in own.iter_rows(named=True)}
        listed.append(
            SettingEffects(
                words.pooled_name(*key),
                str(key[0]),
                own["machine"][0],
                own["crop"][0],
                {name: found[name] for name in words.OUTCOME_WORDS if name in found},
                max(own["adjustments_pooled"].fill_null(0).to_list()),
                behind.filter(_of_change(key)).select("machine", "field").n_unique(),
            )
        )
    place = {name: number for number, name in enumerate(settings())}
    return sorted(listed, key=lambda s: (place.get(s.setting, len(place)), s.name))


def _of_change(key: tuple[object, ...]) -> pl.Expr:
    """Picks rows of fields behind a pooled change; those of a test up and back have its values instead of a step."""
    setting, from_value, to_value, per_step, _ = key
    of_setting = pl.col("setting").eq_missing(pl.lit(setting))
    if per_step is not None:
        return of_setting
    named = (("from_value", from_value), ("to_value", to_value))
    ends = (pl.col(name).eq_missing(pl.lit(end, pl.String)) for name, end in named)
    return pl.all_horizontal(of_setting, *ends)


def settings_changed(groups: Iterable[Group]) -> list[str]:
    """Names of the settings in these groups, each once."""
    return list(dict.fromkeys(s.setting for group in groups for s in group.settings))
