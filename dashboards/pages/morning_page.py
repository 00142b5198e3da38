"""The morning page: what to do, new answers, then files received, rows set aside, sensors, silent machines."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from typing import Any

import polars as pl
from chaffinch.dashboards.pages.data_quality import asides
from chaffinch.dashboards.pages.field_answers import answer_lines
from chaffinch.dashboards.pages.field_jobs import adjustments_at
from chaffinch.dashboards.pages.overview_page import Attention
from chaffinch.dashboards.words import terms as words
from chaffinch.dashboards.words.links import field_href
from chaffinch.dashboards.words.settings_now import lines_of
from chaffinch.dashboards.words.shown_changes import changes_of, of_field
from chaffinch.pipelines.farm import Farm
from chaffinch.pipelines.work.sensor_health import Suspicion
from chaffinch.schemas.tables import NOT_LOGGED

SINCE = timedelta(hours=24)
# A machine is silent when others have logged for this long after its last reading.
SILENT_DAYS = 2
# After this long its season has ended (common practice, no source).
ENDED_DAYS = 14
# After this long without a reading of any machine the season is over rather than a machine silent.
ALL_SILENT_DAYS = 4
MOST_SHOWN = 20
MOST_ANSWERS = 7
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

    ``notes``: sentences about this night itself. ``suspicions``: of sensors, worst first. ``worse``: of
    ``costly_settings``.
    """

    now: datetime = field(default_factory=lambda: datetime.now(UTC))
    notes: Sequence[str] = ()
    suspicions: Sequence[Suspicion] = ()
    earlier: pl.DataFrame | None = None
    worse: Sequence[Attention] = ()


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
    answers = _new_answers(tables, morning.earlier, links, farm)
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
        "answers": answers,
        "worse": morning.worse[:MOST_ANSWERS],
        "more_worse": morning.worse[MOST_ANSWERS:],
        "first_effects": morning.earlier is None or morning.earlier.is_empty(),
        "most": MOST_SHOWN,
        "most_answers": MOST_ANSWERS,
        "tiles": [
            {"words": name, "count": count, "href": f"#{section}"}
            for name, count, section in (
                ("files received", new.height, "files"),
                ("rows set aside", int(new["rows_set_aside"].sum() or 0), "aside"),
                ("files to check", len(unmet), "unmet"),
                ("silent machines", len(silent["machines"]), "silent"),
                ("suspicious sensors", len(sensors), "sensors"),
                ("new answers", answers["count"], "effects"),
            )
        ],
    }


class _Links:
    """Pages of fields, by machine and field and day."""

    def __init__(self, where: pl.DataFrame) -> None:
        self.rows = list(where.iter_rows(named=True))
        self._at: dict[tuple[str | None, str | None], list[dict[str, Any]]] = {}
        for row in self.rows:
            self._at.setdefault((row["machine"], row["field"]), []).append(row)

    def of(self, machine: str | None, name: str | None, day: date | None = None) -> str | None:
        for row in self._at.get((machine, name), ()):
            if row["day"] in (None, day):
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
    day = words.day(newest, farm.time_zone)
    since = f"No machine has logged since {day}, {quiet_days} days ago."
    if quiet_days > ENDED_DAYS:
        since = f"No machine has logged since {day}: the season has ended."
        rows = []
    return {"machines": [*rows, *never], "all": since if quiet_days >= ALL_SILENT_DAYS else ""}


def _sensor(one: Suspicion, links: _Links) -> dict[str, Any]:
    return {
        "kind": one.kind,
        "about": f"{one.machine}, {one.field or one.day.isoformat()}",
        "sentence": one.sentence,
        "href": links.of(one.machine, one.field, one.day),
    }


def _new_answers(
    tables: Mapping[str, pl.DataFrame], earlier: pl.DataFrame | None, links: _Links, farm: Farm
) -> dict[str, Any]:
    """Answers of field pages that are new or have another verdict than a day ago, most money first.

    quiet : how many of them show nothing likely yet. gone : effects that are no longer there. season : pooled effects
    with another verdict.
    """
    effects = tables["effects"].filter(pl.col("setting") != NOT_LOGGED)
    shown, before = _shown(effects), _shown(effects.clear() if earlier is None else earlier)
    was = before.select(*_EFFECT_KEY, pl.col("verdict").alias("was")).unique(_EFFECT_KEY, keep="first")
    rows = shown.join(was, on=list(_EFFECT_KEY), how="left", nulls_equal=True)
    differ = rows.filter(pl.col("was").is_null() | (pl.col("was") != pl.col("verdict")))
    own = pl.col("scope") == "adjustment"
    moved: dict[Any, list[str]] = {}
    for row in differ.filter(own).iter_rows(named=True):
        said = moved.setdefault((row["machine"], row["setting"], row["time"]), [])
        if row["was"]:
            said.append(f"{words.OUTCOME_WORDS[row['outcome']]} {row['was']}")
    answers = []
    by_machine = {
        name: tables[name].partition_by("machine", as_dict=True)
        for name in ("effects", "adjustments", "loss_curves")
    }
    moments: dict[str, set[Any]] = {}
    for machine, setting, time in moved:
        moments.setdefault(machine, set()).add((setting, time))
    for place in links.rows:
        if times := moments.get(place["machine"]):
            held = {
                name: parts.get((place["machine"],), tables[name].clear())
                for name, parts in by_machine.items()
            }
            answers += _answers_of(place, held, moved, times, links, farm)
    answers.sort(key=lambda one: one["line"].weight, reverse=True)
    listed = [one for one in answers if one["was"] or not one["line"].open]
    return {
        "changed": [one for one in listed if one["was"]],
        "new": [one for one in listed if not one["was"]],
        "quiet": len(answers) - len(listed),
        "gone": before.join(shown, on=list(_EFFECT_KEY), how="anti", nulls_equal=True).height,
        "season": differ.filter(~own, pl.col("was").is_not_null()).height,
        "count": len(answers),
    }


def _answers_of(
    place: dict[str, Any],
    held: Mapping[str, pl.DataFrame],
    moved: Mapping[Any, list[str]],
    times: Collection[Any],
    links: _Links,
    farm: Farm,
) -> list[dict[str, Any]]:
    """Of a row of ``machine_fields`` the lines of its page that a change in ``moved`` belongs to.

    held : tables of its machine. moved : verdicts before, by machine, setting and time. times : of its machine.
    """
    machine, effects = place["machine"], held["effects"].filter(pl.col("setting") != NOT_LOGGED)
    here = effects.filter(of_field(place), pl.col("scope").is_in(["adjustment", "field"]))
    ends = (
        pl.col("time").max().over(pl.coalesce("joint_id", pl.col("setting") + pl.col("time").cast(pl.String)))
    )
    rows = here.filter(pl.col("scope") == "adjustment").select(
        "setting", "time", "joint_id", ends.alias("end")
    )
    fresh = [row for row in rows.unique().iter_rows() if row[:2] in times]
    if not fresh:
        return []
    changes = changes_of(here, adjustments_at(place, effects, held["adjustments"]))
    curves = held["loss_curves"].filter(
        pl.col("field").eq_missing(pl.lit(place["field"], pl.String)),
        pl.col("first_time").is_between(place["first_time"], place["last_time"]),
    )
    curve = curves.sort("first_time").row(-1, named=True) if curves.height else None
    error = curve["loss_log_error"] if curve else None
    lines = lines_of(changes, here.filter(pl.col("scope") == "field"), error)
    crop = here["crop"].drop_nulls().mode().sort()
    answered = answer_lines(lines, [curve] * len(lines), crop[0] if crop.len() else None, farm)
    found = []
    for line, answer in zip(lines, answered, strict=True):
        about = [
            (machine, setting, time)
            for setting, time, joint, end in fresh
            if (end == line.last_time if joint else setting == line.setting)
        ]
        if about:
            found.append(
                {
                    "line": answer,
                    "where": ", ".join(filter(None, (place["field"], machine))),
                    "day": words.day(line.last_time, farm.zone_of(machine)),
                    "was": ", ".join(dict.fromkeys(said for key in about for said in moved[key])),
                    "href": links.of(machine, place["field"], line.last_time.date()),
                }
            )
    return found


def _shown(effects: pl.DataFrame) -> pl.DataFrame:
    """Effects of single adjustments and of the season; those of fields and machines are on their pages."""
    scopes = pl.col("scope").is_in(["adjustment", "season"])
    return effects.filter(pl.col("outcome").is_in(SHOWN_OUTCOMES), scopes)
