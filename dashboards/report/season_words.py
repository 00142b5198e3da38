"""The season in sentences: scope, what clearly had an effect, what stays open, what it was worth."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

from chaffinch.dashboards.report.season_data import FieldChanges, SeasonData
from chaffinch.dashboards.report.season_tables import Group, SettingEffects
from chaffinch.dashboards.report.worth import Worth
from chaffinch.dashboards.words import terms as words
from chaffinch.dashboards.words.money import saved_in_words
from chaffinch.dashboards.words.shown_units import units_of, with_range
from chaffinch.dashboards.words.terms import listed
from chaffinch.pipelines.errors import counted
from chaffinch.pipelines.farm import Farm
from chaffinch.schemas.declarations import settings


@dataclass(frozen=True, slots=True)
class Finding:
    """A setting with a clear effect. tone: better, worse, or unclear where it went both ways."""

    name: str
    where: str
    sentence: str
    direction: str
    tone: str


def scope(data: SeasonData, by_field: Sequence[FieldChanges]) -> str:
    """What the season was: changes judged, machines, fields, crops."""
    changes = [change for one in by_field for change in one.changes if change.outcomes]
    kinds = {part[0] for change in changes for part in change.settings}
    crops = listed([words.crop_label(c).lower() for c in sorted({one.crop for one in by_field if one.crop})])
    fields = len({one.row["field"] for one in by_field if one.row["field"] is not None})
    where = counted(len({one.row["machine"] for one in by_field}), "machine")
    where += f" in {counted(fields, 'field')}" if fields else ""
    judged = f"{counted(len(changes), 'change')} of {counted(len(kinds), 'setting')}"
    text = f"In {data.year}, {judged} were judged on {where}{f' of {crops}' if crops else ''}."
    joint = sum(len(change.settings) > 1 for change in changes)
    if joint:
        text += f" {counted(joint, 'change')} moved several settings together; their effect can't be divided."
    return text


def findings(groups: Sequence[Group]) -> list[Finding]:
    """Clear effects in a crop, the largest effects on loss first."""
    found = []
    for group in groups:
        for one in group.settings:
            if one.clear and (one.crop is not None or len(groups) == 1):
                reach = max(abs(o.log_ratio or 0) for o in one.clear)
                only_loss = any(o.name in words.LOSS_OUTCOMES for o in one.clear)
                found.append((not only_loss, -reach, _finding(one, group.title)))
    return [finding for *_, finding in sorted(found, key=lambda f: (f[0], f[1], f[2].name))]


def clear_on_machines(
    machines: Sequence[Group], listed_already: Collection[tuple[str, str]]
) -> list[tuple[str, str]]:
    """(setting and machine, sentence) of clear effects on one machine that are not clear over its crop."""
    found = []
    for group in machines:
        for one in group.settings:
            crop = words.crop_label(one.crop) if one.crop else "Crop not logged"
            if one.clear and (one.name, crop) not in listed_already:
                sentence = _finding(one, crop)
                reach = max(abs(o.log_ratio or 0) for o in one.clear)
                found.append((-reach, f"{one.name}, {group.title}, {crop.lower()}:", sentence.sentence))
    return [(name, text) for _, name, text in sorted(found)]


def _finding(one: SettingEffects, crop: str) -> Finding:
    losses = [o.phrase for o in one.clear if o.name in words.LOSS_OUTCOMES]
    others = [o.phrase for o in one.clear if o.name not in words.LOSS_OUTCOMES]
    text = listed(losses) + (" at the same grain feed rate" if losses else "")
    text += ("; " if losses and others else "") + listed(others)
    tones = {o.tone for o in one.clear} - {"unclear"}
    tone = tones.pop() if len(tones) == 1 else "unclear"
    source = f"from {counted(one.adjustments, 'adjustment')} in {counted(max(one.fields, 1), 'field')}"
    return Finding(one.name, crop, f"{words.capitalized(text)}, {source}.", _direction(one, tone), tone)


def _direction(one: SettingEffects, tone: str) -> str:
    declared = settings().get(one.setting)
    numeric = declared is not None and declared.kind == "number"
    if tone == "better":
        return "Raising it helped." if numeric else "It helped."
    if tone == "worse":
        return "Raising it cost; lower did better." if numeric else "It cost; the other way did better."
    both = {o.tone for o in one.clear} & {"better", "worse"}
    return "It helped one outcome and cost another." if both else ""


def still_open(groups: Sequence[Group], worths: Sequence[Worth]) -> str:
    """Settings without a clear effect in any crop or on any machine, in a sentence; may be empty."""
    moved = {s.setting for group in groups for s in group.settings if s.clear}
    on_machines = (w.line for w in worths if any(o.verdict in ("less", "more") for o in w.line.outcomes))
    moved |= {line.setting for line in on_machines if line.setting}
    rest = dict.fromkeys(s.setting for group in groups for s in group.settings if s.setting not in moved)
    if not rest:
        return ""
    names = listed([words.setting_label(name) for name in rest])
    return f"No clear effect over the season: {names}. The ranges show how large an effect could still be."


def capacity_summary(worths: Sequence[Worth]) -> str:
    """How often capacity changed clearly; empty where it is never known."""
    known = [w.capacity for w in worths if w.capacity is not None and w.capacity.known]
    up, down = (sum(o.verdict == verdict for o in known) for verdict in ("more", "less"))
    settings_now = counted(len(known), "setting")
    if not known:
        return ""
    told = [f"{n} clearly {how} capacity" for n, how in ((up, "raised"), (down, "lowered")) if n]
    return f"Of {settings_now} now in force, {words.listed(told) or 'none clearly moved capacity'} at the same loss."


def worth_summary(worths: Sequence[Worth], farm: Farm) -> str:
    """The settings now in force that save and cost most, as far as it is known."""
    weighed = [w for w in worths if w.saved_kg_ha is not None]
    if not weighed:
        return "The worth of the settings is unknown; the section on worth says what is missing."
    ends = weighed[:1] if len(weighed) == 1 else [weighed[0], weighed[-1]]
    parts = [_worth_of(w, farm) for w in ends if w is weighed[0] or _costs(w)]
    return "Against the settings before: " + "; ".join(parts) + "."


def _costs(one: Worth) -> bool:
    return one.saving.per_ha < 0 if one.saving else bool(one.saved_kg_ha and one.saved_kg_ha[0] < 0)


def _worth_of(one: Worth, farm: Farm) -> str:
    assert one.saved_kg_ha is not None
    where = f"{one.line.title} ({one.machine}, {words.crop_label(one.crop).lower()})"
    if one.saving is not None:
        return f"{where} {saved_in_words(one.saving, one.crop, farm)}"
    return f"{where}, grain saved {with_range(one.saved_kg_ha, units_of(farm, one.crop).mass_per_area)}"


def quality(data: SeasonData) -> str:
    """Files and rows of the report, and how many need a look."""
    ledger = data.deliveries
    read, aside = int(ledger["rows_read"].sum() or 0), int(ledger["rows_set_aside"].sum() or 0)
    share = words.share_in_words(aside / max(read, 1))
    files = counted(ledger.height, "file")
    text = f"Based on {files} with {read:,} rows, of which {aside:,} ({share}) were set aside."
    doubtful = int(ledger["judgement"].is_in(["look", "poor"]).sum())
    return text + (f" Check {counted(doubtful, 'file')} before relying on the results." if doubtful else "")
