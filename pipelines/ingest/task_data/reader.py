"""Task data of ISO 11783-10, from the files of one set to the tables that every harvest log gives.

A set holds several tasks, each several logs. All its records are numbered through, log after log in the order
of the task file, and a note says which rows are which log's. Names of customers and workers are not read
unless ``farm.toml`` asks for it, addresses never.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

import polars as pl
from chaffinch.pipelines.errors import UnreadableFile
from chaffinch.pipelines.farm import Farm
from chaffinch.pipelines.ingest.inbox.guard import require_few
from chaffinch.pipelines.ingest.kinds.boundaries import Patience
from chaffinch.pipelines.ingest.kinds.missing_columns import Boundaries, fields_at, with_stated_width
from chaffinch.pipelines.ingest.kinds.setting_changes import adjustments_in
from chaffinch.pipelines.ingest.task_data.files.geometry import boundary, element_offsets
from chaffinch.pipelines.ingest.task_data.files.safe_xml import RefusedXml
from chaffinch.pipelines.ingest.task_data.files.task_file import read_task_file
from chaffinch.pipelines.ingest.task_data.files.task_set import DamagedMember, Members, TaskSet
from chaffinch.pipelines.ingest.task_data.meaning.channel_table import ColumnUse
from chaffinch.pipelines.ingest.task_data.meaning.gathered import Gathered
from chaffinch.pipelines.ingest.task_data.meaning.naming import field_name
from chaffinch.pipelines.ingest.task_data.meaning.task_logs import read_logs, set_clashes_aside
from chaffinch.pipelines.ingest.task_data.meaning.totals import shown_totals
from chaffinch.pipelines.ingest.task_data.records.rejected_records import Rejected
from chaffinch.pipelines.ingest.task_data.records.utc import on_utc
from chaffinch.pipelines.parsed import Parsed, rows_aside
from chaffinch.schemas.declarations import channels, settings

OF_A_LOG = re.compile(r"(TLG-?\d{1,10}): (.*)", re.IGNORECASE | re.DOTALL)
MANY_LOGS = 4
NOT_READ = (
    (
        re.compile(r"GRD-?\d{1,10}\.BIN", re.I),
        "grids of a plan, nothing measured",
    ),
    (
        re.compile(r"LINKLIST\.XML", re.I),
        "names that other programs gave, nothing measured",
    ),
    (re.compile(r"PNT-?\d{1,10}\.BIN", re.I), "points of lines and boundaries in a file of their own"),
)
CONTROLLER_STARTS_WITHIN_S = 20.0


def read_task_data(members: Members, file: str, farm: Farm, boundaries: Boundaries = ()) -> Parsed:
    """Read one set of task data: ``members``, name -> reader of its bytes. Raises ``UnreadableFile``."""
    return _parsed(_gathered(members, file, farm), boundaries)


def describe_columns(members: Members, file: str, farm: Farm) -> list[dict[str, Any]]:
    """What each column of the logs is, for people: key, channel, unit, step of the raw number, first value.

    Raises ``UnreadableFile``.
    """
    return [_described(use) for use in _gathered(members, file, farm).uses.values()]


def _described(use: ColumnUse) -> dict[str, Any]:
    kind = "none" if use.target is None else "channel" if use.target in channels() else "setting"
    entry: dict[str, Any] = {"header": use.key, "is": use.target, "kind": kind, "unit": None, "to_unit": None}
    entry |= {"factor": None, "sample": None if use.raw is None else f"{use.raw:.0f}"}
    if use.scale is not None:
        entry |= {"unit": "raw", "to_unit": use.scale.unit, "factor": use.scale.step, "by": use.scale.source}
    return entry


def _gathered(members: Members, file: str, farm: Farm) -> Gathered:
    """The tables and notes of one set. Raises ``UnreadableFile``."""
    task_set = TaskSet.of(members)
    if task_set.name_of("TASKDATA.XML") is None:
        raise UnreadableFile(
            file, "There is no TASKDATA.XML in it; export the whole folder from the terminal."
        )
    try:
        task_file = read_task_file(task_set, farm.task_data.people)
    except DamagedMember as error:
        raise UnreadableFile(file, f"TASKDATA.XML {error.reason} Export the task data again.") from None
    except RefusedXml as error:
        raise UnreadableFile(file, f"TASKDATA.XML {error}. Export the task data again.") from None
    gathered = Gathered(farm, farm.columns_of(file), task_set, task_file)
    gathered.ask(*task_file.notes)
    for name in task_set.clashes:
        gathered.ask(f"{name}: this name occurs twice; the second file was not read.")
    set_clashes_aside(gathered)
    _note_other_files(gathered)
    offsets = (element_offsets(device, task_file.elements) for device in task_file.devices.values())
    gathered.notes += [sentence for sentence in offsets if sentence]
    _note_tasks_without_logs(gathered)
    for log in on_utc(read_logs(gathered)):
        gathered.readings.append(log.frame)
        gathered.notes += log.notes
        gathered.ask(*log.asked)
    _note_names_without_columns(gathered)
    require_few(file, len(task_file.fields), "fields")
    _read_fields(gathered)
    return gathered


def _note_names_without_columns(gathered: Gathered) -> None:
    """Say which columns of ``farm.toml`` no log of the set has."""
    if lacking := [name for name in gathered.stated.names if name.casefold() not in gathered.met]:
        shown = ", ".join(f"'{name}'" for name in lacking[:5])
        gathered.notes.append(
            f"farm.toml says what {shown} is, and no log of the task data has such a column."
        )


def _note_other_files(gathered: Gathered) -> None:
    """Say of each file that is neither a log nor a description of one what it is, and that it was not read."""
    kinds: dict[str, list[str]] = {}
    for name in sorted(gathered.task_set.files):
        if name in gathered.task_set.clashes:
            continue
        what = next((sentence for pattern, sentence in NOT_READ if pattern.fullmatch(name)), None)
        if what is not None or not name.casefold().endswith((".xml", ".bin", ".xsd")):
            kinds.setdefault(what or "not part of the standard", []).append(name)
    for what, names in kinds.items():
        listed = ", ".join(names[:5]) + (", ..." if len(names) > 5 else "")
        gathered.notes.append(f"Not read: {listed} ({what}).")


def _note_tasks_without_logs(gathered: Gathered) -> None:
    """Ask for the logs of a set without any; show the totals of tasks that were finished without one."""
    tasks = gathered.task_file.tasks
    finished = [task for task in tasks if not task.logs and (task.is_finished or shown_totals(task))]
    for task in finished:
        totals = shown_totals(task)
        gathered.notes.append(
            f"Task {task.designator or task.id} is finished and holds no log"
            + (f"; its totals: {totals}." if totals else ".")
        )
    if any(task.logs for task in tasks):
        return
    if finished:
        gathered.ask(
            "TASKDATA.XML names no log: the work is done, but only its totals were kept. Effects need the log by "
            "the second; switch logging on at the terminal."
        )
    else:
        gathered.ask("TASKDATA.XML names no log; it is a plan, or was exported before the work was done.")


def _read_fields(gathered: Gathered) -> None:
    patience = Patience()
    for partfield in gathered.task_file.fields.values():
        if not partfield.polygons:
            continue
        text, area_ha, fault = boundary(partfield, patience)
        name = field_name(partfield, gathered.task_file)
        if fault:
            gathered.ask(f"Field {name}: {fault}.")
        if text is None:
            if fault:
                gathered.set_aside(
                    Rejected(1, "bad_boundary", f"Field {name}: {fault}.", "boundary_wkt", name)
                )
            continue
        gathered.rows += 1
        row = {"row": gathered.rows, "field": name, "boundary_wkt": text, "area_ha": area_ha}
        gathered.fields.append(pl.DataFrame([row]))


def _parsed(gathered: Gathered, boundaries: Boundaries) -> Parsed:
    readings = pl.concat(gathered.readings, how="diagonal") if gathered.readings else None
    adjustments = None
    if readings is not None:
        readings = _completed(readings, gathered, boundaries)
        adjustments = _adjustments(readings)
    if adjustments is not None:
        gathered.notes.append(
            f"{adjustments.height} adjustments were found where set values change and stay."
        )
    aside = pl.concat(gathered.asides).sort("row", maintain_order=True) if gathered.asides else None
    fields = pl.concat(gathered.fields) if gathered.fields else None
    kept = sum(len(frame) for frame in (readings, fields) if frame is not None)
    return Parsed(
        kind="task data",
        readings=readings,
        adjustments=adjustments,
        fields=fields,
        set_aside=aside,
        rows_read=kept + (rows_aside(aside).n_unique() if aside is not None else 0),
        unmatched_columns=tuple(sorted(use.key for use in gathered.uses.values() if use.unmatched)),
        notes=_once_each(gathered.notes),
        attention=_once_each(gathered.attention),
    )


def _once_each(sentences: Sequence[str]) -> tuple[str, ...]:
    """The sentences, one that holds of many logs once for all of them."""
    stems: dict[str, list[str]] = {}
    for sentence in dict.fromkeys(sentences):
        of_log = OF_A_LOG.fullmatch(sentence)
        stem, rest = of_log.groups() if of_log else ("", sentence)
        stems.setdefault(rest, []).append(stem)
    once: list[str] = []
    for rest, logs in stems.items():
        if len(logs) >= MANY_LOGS:
            once.append(f"{logs[0]} and {len(logs) - 1} other logs: {rest}")
        else:
            once += [f"{stem}: {rest}" if stem else rest for stem in logs]
    return tuple(once)


def _completed(readings: pl.DataFrame, gathered: Gathered, boundaries: Boundaries) -> pl.DataFrame:
    """Readings with a field where the task names none, with a width where the logs have none."""
    import shapely

    if readings["field"].null_count():
        own = [
            (row["field"], shapely.from_wkt(row["boundary_wkt"]))
            for f in gathered.fields
            for row in f.to_dicts()
        ]
        readings = fields_at(readings, [*own, *boundaries], gathered.notes)
    return with_stated_width(readings, gathered.farm, gathered.notes)


def _adjustments(readings: pl.DataFrame) -> pl.DataFrame | None:
    """Adjustments where a set value changes and stays. 0 until a controller answers was never set."""
    since_begin = pl.col("time") - pl.col("time").min().over("machine")
    awake = since_begin >= pl.duration(seconds=CONTROLLER_STARTS_WITHIN_S)
    numbers = [s.column for s in settings().values() if s.kind == "number" and s.column in readings.columns]
    started = readings.with_columns(pl.when(awake | (pl.col(name) != 0)).then(name) for name in numbers)
    return adjustments_in(started, "task data", ("number",))
