"""A season in words and numbers: scope, what clearly moved something, what stays open, what it was worth."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from chaffinch.dashboards.report.season_data import FieldChanges, SeasonData
from chaffinch.dashboards.report.season_tables import Group, SettingEffects
from chaffinch.dashboards.report.worth import Ends, Worth, total
from chaffinch.dashboards.words import terms as words
from chaffinch.dashboards.words.shown_units import units_of
from chaffinch.pipelines.agronomy.exact import ACRE_M2, POUND_KG
from chaffinch.pipelines.farm import Farm
from chaffinch.schemas.declarations import settings

HA_PER_ACRE = ACRE_M2 / 10_000.0


@dataclass(frozen=True, slots=True)
class Finding:
    """A setting that clearly moved something. tone: better, worse, or unclear where it went both ways."""

    name: str
    where: str
    told: str
    direction: str
    tone: str


@dataclass(frozen=True, slots=True)
class Amounts:
    """How a report writes grain, area and money, as ``farm.toml`` asks."""

    farm: Farm

    def kg_ha(self, ends: Ends) -> str:
        factor, unit = units_of(self.farm, None).mass_per_area
        return _with_range(ends, factor, unit)

    def kg(self, ends: Ends) -> str:
        if self.farm.units == "us":
            return _with_range(ends, 1 / POUND_KG, "lb")
        return _with_range(ends, 1.0, "kg")

    def t_h(self, ends: Ends, crop: str | None) -> str:
        factor, unit = units_of(self.farm, crop).feed_rate
        return _with_range(ends, factor, unit)

    def grain_per_hour(self, t_h: float, crop: str | None) -> str:
        factor, unit = units_of(self.farm, crop).feed_rate
        return f"{words.grouped(words.significant(t_h * factor, 3))}{words.NARROW}{unit}"

    def money(self, ends: Ends) -> str:
        return _with_range(ends, 1.0, self.farm.prices.currency)

    def money_per_area(self, ends: Ends) -> str:
        """Of money per hectare."""
        factor, unit = (HA_PER_ACRE, "ac") if self.farm.units == "us" else (1.0, "ha")
        return _with_range(ends, factor, f"{self.farm.prices.currency}/{unit}")

    def area(self, area_ha: float, digits: int = 3) -> str:
        factor, unit = (1 / HA_PER_ACRE, "ac") if self.farm.units == "us" else (1.0, "ha")
        return f"{words.grouped(words.significant(area_ha * factor, digits))}{words.NARROW}{unit}"

    def grain(self, market_t: float, crop: str | None) -> str:
        factor, unit = units_of(self.farm, crop).feed_rate
        return (
            f"{words.grouped(words.significant(market_t * factor, 3))}{words.NARROW}{unit.removesuffix('/h')}"
        )

    def grain_per_area(self, t_ha: float, crop: str | None) -> str:
        factor, unit = units_of(self.farm, crop).grain_per_area
        return f"{words.significant(t_ha * factor, 3)}{words.NARROW}{unit}"


def _with_range(ends: Ends, factor: float, unit: str) -> str:
    """``+30 kg/ha (+8.2 to +58)``."""
    size, low, high = (words.grouped(words.signed(value * factor)) for value in ends)
    return f"{size}{words.NARROW}{unit} ({low} to {high})"


def scope(data: SeasonData, by_field: Sequence[FieldChanges]) -> str:
    """What the season was: changes judged, machines, fields, crops."""
    changes = [change for one in by_field for change in one.changes if change.outcomes]
    machines = len({one.row["machine"] for one in by_field})
    kinds = {part[0] for change in changes for part in change.settings}
    crops = words.listed(
        [words.crop_label(c).lower() for c in sorted({one.crop for one in by_field if one.crop})]
    )
    fields = len({one.row["field"] for one in by_field if one.row["field"] is not None})
    where = f"on {words.counted(machines, 'machine')}" + (
        f" in {words.counted(fields, 'field')}" if fields else ""
    )
    joint = sum(len(change.settings) > 1 for change in changes)
    judged = f"{words.counted(len(changes), 'change')} of {words.counted(len(kinds), 'setting')}"
    told = f"In {data.year}, {judged} were judged {where}{f' of {crops}' if crops else ''}."
    if joint:
        told += f" {words.counted(joint, 'change')} moved several settings at once and tell of them together only."
    return told


def findings(groups: Sequence[Group]) -> list[Finding]:
    """What clearly moved something in a crop, the largest effects on loss first."""
    found = []
    for group in groups:
        for one in group.settings:
            if one.clear and (one.crop is not None or len(groups) == 1):
                reach = max(abs(o.log_ratio or 0) for o in one.clear)
                only_loss = any(o.name.endswith("_loss") for o in one.clear)
                found.append((not only_loss, -reach, _finding(one, group.title)))
    return [finding for *_, finding in sorted(found, key=lambda f: (f[0], f[1], f[2].name))]


def _finding(one: SettingEffects, crop: str) -> Finding:
    losses = [o.phrase for o in one.clear if o.name in words.AT_SAME_FEED]
    others = [o.phrase for o in one.clear if o.name not in words.AT_SAME_FEED]
    told = words.listed(losses) + (" at the same grain feed rate" if losses else "")
    told += ("; " if losses and others else "") + words.listed(others)
    tones = {o.tone for o in one.clear} - {"unclear"}
    tone = tones.pop() if len(tones) == 1 else "unclear"
    behind = (
        f"from {words.counted(one.adjustments, 'adjustment')} in {words.counted(max(one.fields, 1), 'field')}"
    )
    return Finding(one.name, crop, f"{told}, {behind}.", _direction(one, tone), tone)


def _direction(one: SettingEffects, tone: str) -> str:
    declared = settings().get(one.setting)
    numeric = declared is not None and declared.kind == "number"
    if tone == "unclear":
        welcome = {o.tone for o in one.clear} & {"better", "worse"}
        return "It helped one thing and cost another; weigh the two." if welcome else ""
    if tone == "better":
        return "Raising it helped." if numeric else "It helped."
    return (
        "Raising it cost; lowering it is what to try."
        if numeric
        else "It cost; the other way is what to try."
    )


def still_open(groups: Sequence[Group]) -> str:
    """Settings without any clear effect in any crop; empty where there is none."""
    moved = {s.setting for group in groups for s in group.settings if s.clear}
    rest = dict.fromkeys(s.setting for group in groups for s in group.settings if s.setting not in moved)
    if not rest:
        return ""
    names = words.listed([words.setting_label(name) for name in rest])
    return (
        f"No clear effect over the season: {names}. That is no proof of no effect: "
        "the ranges show how large one could still be."
    )


def capacity(worths: Sequence[Worth]) -> str:
    """How often capacity changed clearly; empty where it was never told."""
    told = [o for w in worths if (o := w.change.outcome("capacity")) is not None and o.known]
    if not told:
        return ""
    up, down = (sum(o.verdict == verdict for o in told) for verdict in ("more", "less"))
    return (
        f"Capacity at the same loss was told for {words.counted(len(told), 'change')}: clearly higher after {up}, "
        f"clearly lower after {down}."
    )


def worth(worths: Sequence[Worth], farm: Farm) -> str:
    """The season's sum in grain and money, as far as it can be told."""
    added, amounts = total(worths), Amounts(farm)
    if not added.changes:
        return "What the changes were worth can't be told yet; the section on worth says what is missing."
    verb = "saved" if added.saved_kg[0] >= 0 else "lost"
    told = f"Added up, the {words.counted(added.changes, 'change')} that can be weighed {verb} "
    told += amounts.kg(_turned(added.saved_kg, verb)).removeprefix("+").replace(" (", " of grain (", 1)
    if added.priced:
        part = "" if added.priced == added.changes else f" for the {added.priced} with a price"
        told += f", worth {amounts.money(_turned(added.money, verb)).removeprefix('+')}{part}"
    certain = added.saved_kg[1] > 0 or added.saved_kg[2] < 0
    return f"{told}." + ("" if certain else " The range includes zero, so even its direction is not sure.")


def _turned(ends: Ends, verb: str) -> Ends:
    return ends if verb == "saved" else (-ends[0], -ends[2], -ends[1])


def quality(data: SeasonData) -> str:
    """Files and rows behind the report, and how many need a look."""
    ledger = data.deliveries
    read, aside = int(ledger["rows_read"].sum() or 0), int(ledger["rows_set_aside"].sum() or 0)
    share = 100 * aside / max(read, 1)
    doubtful = int(ledger["judgement"].is_in(["look", "poor"]).sum())
    told = f"{words.counted(ledger.height, 'file')} with {read:,} rows stand behind this report; "
    told += f"{words.counted(aside, 'row')} ({words.significant(share)}{words.NARROW}%) were set aside."
    if doubtful:
        told += f" {words.counted(doubtful, 'file')} should be looked at before relying on them."
    return told
