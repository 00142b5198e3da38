"""The morning page: files received, rows set aside, silent machines, suspicious sensors, new effects."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from typing import Any

import polars as pl
from chaffinch.dashboards.pages.data_quality import asides
from chaffinch.dashboards.words import terms as words
from chaffinch.dashboards.words.links import field_href
from chaffinch.pipelines.farm import Farm
from chaffinch.pipelines.work.sensor_health import Suspicion

SINCE = timedelta(hours=24)
# A machine is silent when others have logged for this long after its last reading.
SILENT_DAYS = 2
# After this long its season has ended (common practice, no source).
ENDED_DAYS = 14
# After this long without a reading of any machine the season is over rather than a machine silent.
ALL_SILENT_DAYS = 4
MOST_SHOWN = 20
SHOWN_OUTCOMES = ("separation_loss", "cleaning_loss", "machine_loss", "capacity")
_UNREADABLE = "could not be read"
_JUDGEMENTS = {"poor": 0, "look": 1}
# What makes an effect the same one on two days.
_EFFECT_KEY = (
    "scope", "machine", "field", "crop", "time", "setting", "from_value", "to_value", "unit", "outcome",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Morning:
    """What the page shows that is in no table. ``earlier``: effects a day ago, None where there were none.

    ``notes``: sentences about this night itself. ``suspicions``: of sensors, worst first.
    """

    now: datetime = field(default_factory=lambda: datetime.now(UTC))
    notes: Sequence[str] = ()
    suspicions: Sequence[Suspicion] = ()
    earlier: pl.DataFrame | None = None


def recent(deliveries: pl.DataFrame, now: datetime) -> pl.DataFrame:
    """Deliveries of the last day, and those dated later by a clock that was set back."""
    return deliveries.filter(pl.col("taken_in_at") > pl.lit(now) - SINCE)


def morning_context(
    where: pl.DataFrame, tables: dict[str, pl.DataFrame], farm: Farm, morning: Morning
) -> dict[str, Any]:
    """What the template shows. where, tables : as of the overview."""
    new = recent(tables["deliveries"], morning.now)
    links = _Links(where)
    aside = asides(tables["set_aside"], new)
    unmet = _unmet(new, links)
    silent = _silent(where, farm, morning.now)
    sensors = [_sensor(one, links) for one in morning.suspicions]
    effects = _effects(tables["effects"], morning.earlier, links)
    return {
        "client": farm.client.name,
        "day": words.day(morning.now, farm.time_zone),
        "notes": list(morning.notes),
        "files": new.height,
        "rows_read": int(new["rows_read"].sum() or 0),
        "received": _received(new, farm),
        "last_arrival": _last_arrival(tables["deliveries"], new, farm),
        "asides": aside,
        "rows_aside": int(new["rows_set_aside"].sum() or 0),
        "unmet": unmet,
        "silent": silent,
        "sensors": sensors,
        "effects": effects,
        "first_effects": morning.earlier is None or morning.earlier.is_empty(),
        "most": MOST_SHOWN,
        "tiles": [
            {"words": name, "count": count, "href": f"#{section}"}
            for name, count, section in (
                ("files received", new.height, "files"),
                ("rows set aside", int(new["rows_set_aside"].sum() or 0), "aside"),
                ("files to check", len(unmet), "unmet"),
                ("silent machines", len(silent["machines"]), "silent"),
                ("suspicious sensors", len(sensors), "sensors"),
                ("effects new or changed", effects["count"], "effects"),
            )
        ],
    }


class _Links:
    """Pages of fields, by machine and field and day."""

    def __init__(self, where: pl.DataFrame) -> None:
        self.rows = list(where.iter_rows(named=True))

    def of(self, machine: str | None, name: str | None, day: date | None = None) -> str | None:
        for row in self.rows:
            if row["machine"] == machine and row["field"] == name and row["day"] in (None, day):
                return field_href(row)
        return None


def _received(new: pl.DataFrame, farm: Farm) -> list[dict[str, Any]]:
    """A row per machine: files, rows, first and last reading; files of no machine in a row of their own."""
    machines = pl.col("machines")
    whole = new.with_columns(pl.when(machines.list.len() > 0).then(machines).otherwise(pl.lit([""])))
    rows = []
    for (machine,), own in whole.explode("machines").group_by("machines"):
        zone = farm.zone_of(str(machine))
        first, last = own["first_time"].min(), own["last_time"].max()
        rows.append(
            {
                "machine": machine,
                "files": own.height,
                "kinds": ", ".join(own["kind"].unique().sort().to_list()),
                "rows": int(own["rows_read"].sum() or 0),
                "aside": int(own["rows_set_aside"].sum() or 0),
                "first": _moment(first, zone),
                "last": _moment(last, zone),
            }
        )
    return sorted(rows, key=lambda row: (row["machine"] == "", row["machine"]))


def _moment(moment: Any, zone: str | None) -> str:
    return f"{words.day(moment, zone)}, {words.clock(moment, zone)}" if isinstance(moment, datetime) else ""


def _last_arrival(deliveries: pl.DataFrame, new: pl.DataFrame, farm: Farm) -> str:
    """The day of the last files, where there are no new ones."""
    last = deliveries["taken_in_at"].max()
    return words.day(last, farm.time_zone) if new.is_empty() and isinstance(last, datetime) else ""


def _unmet(new: pl.DataFrame, links: _Links) -> list[dict[str, Any]]:
    """Files that can't be read, then those judged poor, then those to check; with reasons in words."""
    found = []
    for row in new.iter_rows(named=True):
        unreadable = row["status"] == _UNREADABLE
        if not unreadable and row["judgement"] not in _JUDGEMENTS:
            continue
        reason = row["reason"] or "It could not be read."
        sentences = [reason] if unreadable else list(row["findings"] or ())
        machines, fields = row["machines"] or [], row["fields"] or []
        pages = [
            {"name": f"{name}, {machine}", "href": href}
            for machine in machines[:3]
            for name in fields[:3]
            if (href := links.of(machine, name)) is not None
        ]
        found.append(
            {
                "rank": -1 if unreadable else _JUDGEMENTS[row["judgement"]],
                "name": row["name"],
                "judged": _UNREADABLE if unreadable else row["judgement"],
                "sentences": sentences,
                "pages": pages,
            }
        )
    return sorted(found, key=lambda one: (one["rank"], -len(one["sentences"]), one["name"]))


def _silent(where: pl.DataFrame, farm: Farm, now: datetime) -> dict[str, Any]:
    """Machines whose last reading is days before the newest of all, longest silent first; not those whose season
    has ended."""
    if where.is_empty():
        return {"machines": [], "all": ""}
    last = where.group_by("machine").agg(pl.col("last_time").max()).sort("last_time", "machine")
    # A log with a clock that runs ahead must not make all others silent.
    newest = last.filter(pl.col("last_time") <= pl.lit(now) + timedelta(days=1))["last_time"].max()
    if not isinstance(newest, datetime):
        return {"machines": [], "all": ""}
    known = set(last["machine"].to_list())
    rows = [
        {
            "machine": machine,
            "last": _moment(moment, farm.zone_of(machine)),
            "days": (newest - moment).days,
        }
        for machine, moment in last.iter_rows()
        if timedelta(days=SILENT_DAYS) <= newest - moment <= timedelta(days=ENDED_DAYS)
    ]
    never = [{"machine": name, "last": "", "days": None} for name in farm.machines if name not in known]
    quiet_days = (now - newest).days
    since = f"No machine has logged since {words.day(newest, farm.time_zone)}, {quiet_days} days ago."
    return {"machines": [*rows, *never], "all": since if quiet_days >= ALL_SILENT_DAYS else ""}


def _sensor(one: Suspicion, links: _Links) -> dict[str, Any]:
    return {
        "kind": one.kind,
        "about": f"{one.machine}, {one.field or one.day.isoformat()}",
        "sentence": one.sentence,
        "href": links.of(one.machine, one.field, one.day),
    }


def _effects(effects: pl.DataFrame, earlier: pl.DataFrame | None, links: _Links) -> dict[str, Any]:
    """Effects with a different verdict from a day ago, and new ones; clear changes first."""
    shown, gone = _shown(effects), 0
    if earlier is None or earlier.is_empty():
        rows = shown.with_columns(pl.lit(None, pl.String).alias("was"))
    else:
        before = earlier.select(*_EFFECT_KEY, pl.col("verdict").alias("was")).unique(
            _EFFECT_KEY, keep="first"
        )
        gone = _shown(earlier).join(shown, on=list(_EFFECT_KEY), how="anti", nulls_equal=True).height
        rows = shown.join(before, on=list(_EFFECT_KEY), how="left", nulls_equal=True).filter(
            pl.col("was").is_null() | (pl.col("was") != pl.col("verdict"))
        )
    calls = pl.col("verdict").is_in(["less", "more"])
    rows = rows.sort(
        pl.col("was").is_null(), ~calls, pl.col("percent").abs(), "machine", "field", "time", "setting", "outcome",
        descending=[False, False, True, False, False, False, False, False],
        nulls_last=True,
    )  # fmt: skip
    listed = [_effect(row, links) for row in _each_joint_change_once(rows)]
    return {
        "changed": [one for one in listed if one["was"]],
        "new": [one for one in listed if not one["was"] and one["calls"]],
        "new_quiet": sum(not one["was"] and not one["calls"] for one in listed),
        "gone": gone,
        "count": len(listed),
    }


def _shown(effects: pl.DataFrame) -> pl.DataFrame:
    """Effects of single adjustments and of the season; those of fields and machines are on their pages."""
    scopes = pl.col("scope").is_in(["adjustment", "season"])
    return effects.filter(pl.col("outcome").is_in(SHOWN_OUTCOMES), scopes)


def _each_joint_change_once(rows: pl.DataFrame) -> list[dict[str, Any]]:
    """Every setting of a joint change has a row with the joint effect; here it is one row with all settings."""
    found: dict[Any, dict[str, Any]] = {}
    for i, row in enumerate(rows.iter_rows(named=True)):
        change = _change(row)
        key = (row["joint_id"], row["outcome"]) if row["joint_id"] else i
        if key in found:
            found[key]["change"] += f" and {change}"
        else:
            found[key] = row | {"change": change}
    return list(found.values())


def _change(row: dict[str, Any]) -> str:
    if row["scope"] == "season" and row["per_step"] is not None:
        unit = f" {row['unit']}" if row["unit"] else ""
        return f"{words.setting_label(row['setting'])}, per +{row['per_step']:g}{unit}"
    return words.setting_change(row["setting"], row["from_value"], row["to_value"], row["unit"])


def _effect(row: dict[str, Any], links: _Links) -> dict[str, Any]:
    calls = row["verdict"] in ("less", "more") and row["percent"] is not None
    size = words.change_in_words(row["percent"], row["percent_low"], row["percent_high"]) if calls else ""
    if row["scope"] == "season":
        where = ", ".join(
            filter(None, ("The season", row["machine"], row["crop"] and words.crop_label(row["crop"])))
        )
    else:
        where = ", ".join(filter(None, (row["field"], row["machine"])))
    return {
        "change": row["change"],
        "where": where,
        "day": words.day(row["time"], None) if row["time"] else "",
        "outcome": words.OUTCOME_WORDS[row["outcome"]],
        "verdict": row["verdict"],
        "tone": words.tone(row["outcome"], row["verdict"]),
        "was": row["was"],
        "calls": calls,
        "size": size,
        "href": links.of(row["machine"], row["field"], row["time"].date() if row["time"] else None)
        or "season.html",
    }
