"""Task data of ISO 11783-10, from the files of a folder or zip to the tables that every harvest log gives.

One set of files may hold several task sets, each several tasks, each several logs; all records of a delivery
are numbered through, log after log in the order of the task file, and a note says which rows are which log's.
Customers, workers and addresses are not read.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import polars as pl
from chaffinch.pipelines.errors import UnreadableFile
from chaffinch.pipelines.farm import Farm, FileColumns
from chaffinch.pipelines.parsed import Parsed
from chaffinch.pipelines.task_data import asides as asides_module
from chaffinch.pipelines.task_data.asides import Aside, content_of
from chaffinch.pipelines.task_data.clock import utc_moments
from chaffinch.pipelines.task_data.columns import resolve
from chaffinch.pipelines.task_data.container import Members, TaskSet, folder_members, task_sets, zip_members
from chaffinch.pipelines.task_data.geometry import boundary
from chaffinch.pipelines.task_data.harvest_log import Carry, HarvestLog, harvest_log, merge_parallel
from chaffinch.pipelines.task_data.log_header import LogHeader, read_header
from chaffinch.pipelines.task_data.log_reading import LogData, read_log
from chaffinch.pipelines.task_data.naming import crop_of, device_of, machine_of
from chaffinch.pipelines.task_data.readings import setting_changes, with_speed
from chaffinch.pipelines.task_data.safe_xml import RefusedXml, parse_xml
from chaffinch.pipelines.task_data.task_file import LOG_FILE, LogReference, Task, TaskFile, read_task_file
from chaffinch.pipelines.task_data.totals import compare_totals

if TYPE_CHECKING:
    from chaffinch.pipelines.ingest.discover import InboxFile

Boundaries = Sequence[tuple[str, Any]]


@dataclass(slots=True)
class _Delivery:
    """What has been gathered so far, and how many rows."""

    file: str
    farm: Farm
    stated: FileColumns
    readings: list[pl.DataFrame] = field(default_factory=list)
    asides: list[pl.DataFrame] = field(default_factory=list)
    fields: list[pl.DataFrame] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    unmatched: set[str] = field(default_factory=set)
    rows: int = 0

    def set_aside(self, *found: Aside) -> None:
        """Things that are a row of their own, beside the records of any log."""
        for aside in found:
            self.rows += 1
            self.asides.append(asides_module.frame([aside], self.rows))


def read_task_data(file: InboxFile, farm: Farm, boundaries: Boundaries) -> Parsed:
    """Read one folder or zip of task data out of the inbox. Raises ``UnreadableFile``."""
    return read_members(file.members, file.name, farm, boundaries)


def read_folder(folder: Path, farm: Farm | None = None, boundaries: Boundaries = ()) -> Parsed:
    """Read the task data in ``folder``, at any depth. Raises ``UnreadableFile``."""
    return read_members(folder_members(folder), folder.name, farm or Farm(), boundaries)


def read_zip(archive: Path, farm: Farm | None = None, boundaries: Boundaries = ()) -> Parsed:
    """Read the task data in a zip, never unpacked to disk. Raises ``UnreadableFile``."""
    return read_members(zip_members(archive), archive.name, farm or Farm(), boundaries)


def read_members(members: Members, file: str, farm: Farm, boundaries: Boundaries = ()) -> Parsed:
    """Read the task data among ``members`` (name -> reader of its bytes). Raises ``UnreadableFile``."""
    sets = task_sets(members)
    if not sets:
        raise UnreadableFile(
            file, "there is no TASKDATA.XML in it; export the whole folder from the terminal."
        )
    delivery = _Delivery(file, farm, farm.columns_of(file))
    refused = []
    for task_set in sets:
        try:
            task_file = read_task_file(task_set)
        except RefusedXml as error:
            refused.append(f"{_place(task_set)}TASKDATA.XML {error}.")
            continue
        _read_set(delivery, task_set, task_file)
    if len(refused) == len(sets):
        raise UnreadableFile(file, f"{refused[0]} Export the task data anew.")
    for sentence in refused:
        delivery.set_aside(Aside(1, "unreadable_xml", sentence))
    return _parsed(delivery, boundaries)


def _place(task_set: TaskSet) -> str:
    return "" if task_set.folder == "." else f"{task_set.folder}/"


def _read_set(delivery: _Delivery, task_set: TaskSet, task_file: TaskFile) -> None:
    delivery.notes += [_place(task_set) + note for note in task_file.notes]
    delivery.notes += [
        f"{name}: the folder holds this name twice in different case; it was not read."
        for name in task_set.clashes
    ]
    seen: set[str] = set()
    for task in task_file.tasks:
        _read_task(delivery, task_set, task_file, task, seen)
    _read_strays(delivery, task_set, task_file, seen)
    _read_fields(delivery, task_file)


def _read_strays(delivery: _Delivery, task_set: TaskSet, task_file: TaskFile, seen: set[str]) -> None:
    """Logs that no task names: read by their header where there is one, without field and crop."""
    for name in sorted(task_set.files):
        stem, _, ending = name.rpartition(".")
        if ending.casefold() != "bin" or not LOG_FILE.fullmatch(stem) or stem.casefold() in seen:
            continue
        if task_set.name_of(f"{stem}.XML") is None:
            data = task_set.files[name]()
            sentence = f"{name}: {len(data)} bytes of a log that no task names and without a header."
            content = content_of(name, 0, data)
            delivery.set_aside(Aside(1, "log_without_task", sentence, content=content))
            continue
        delivery.notes.append(f"{stem}: no task names this log; its field and crop are not known.")
        _read_task(delivery, task_set, task_file, _no_task(stem), seen)


def _no_task(stem: str) -> Task:
    return Task("no task", "", None, None, (LogReference(stem, None),), (), (), ())


def _read_task(
    delivery: _Delivery, task_set: TaskSet, task_file: TaskFile, task: Task, seen: set[str]
) -> None:
    carry: Carry = {}
    frames: list[pl.DataFrame] = []
    spans: list[tuple[LogData, pl.DataFrame]] = []
    for reference in task.logs:
        if reference.stem.casefold() in seen:
            delivery.notes.append(f"{reference.stem}: named by more than one task; read once.")
            continue
        seen.add(reference.stem.casefold())
        log = _open_log(delivery, task_set, task_file, task, reference)
        if log is None:
            continue
        first_row = delivery.rows + 1
        delivery.rows += log.numbered
        if log.asides:
            delivery.asides.append(asides_module.frame(log.asides, first_row))
        delivery.notes += log.notes
        if not len(log):
            continue
        harvest = harvest_log(log, task_file, carry)
        frame = _named(delivery, task_file, task, log, harvest, first_row)
        frames.append(frame)
        spans.append((log, frame))
    delivery.readings += _side_by_side(delivery, frames)
    delivery.notes += compare_totals(task, spans)


def _open_log(
    delivery: _Delivery, task_set: TaskSet, task_file: TaskFile, task: Task, reference: LogReference
) -> LogData | None:
    """The log that a task names; None with a row set aside when it cannot be read."""
    stem = reference.stem
    if not LOG_FILE.fullmatch(stem):
        sentence = f"{task.id}: a log has a name that the standard does not allow; it was not looked for."
        delivery.set_aside(Aside(1, "log_missing", sentence))
        return None
    data = task_set.read(f"{stem}.BIN")
    if data is None:
        delivery.set_aside(Aside(1, "log_missing", f"{stem}.BIN is named by task {task.id} but not there."))
        return None
    header = _open_header(delivery, task_set, stem, data)
    if header is None:
        return None
    if reference.declared_bytes not in (None, len(data)):
        delivery.notes.append(
            f"{stem}: the task file declares {reference.declared_bytes} bytes, the log has {len(data)}; it "
            "was read whole."
        )
    return read_log(stem, data, header, resolve(header, task_file, delivery.stated.names))


def _open_header(delivery: _Delivery, task_set: TaskSet, stem: str, data: bytes) -> LogHeader | None:
    text = task_set.read(f"{stem}.XML")
    if text is None:
        why = f"{stem}.XML, the header of {stem}.BIN, is not there, so its {len(data)} bytes have no layout."
    else:
        try:
            document = parse_xml(text)
            if document.fault:
                delivery.notes.append(f"{stem}.XML {document.fault}; what stands before was read.")
            return read_header(document.root)
        except (RefusedXml, ValueError) as error:
            why = f"{stem}.XML {error}; the {len(data)} bytes of {stem}.BIN were not read."
    delivery.set_aside(Aside(1, "log_without_header", why, content=content_of(f"{stem}.BIN", 0, data)))
    return None


def _named(
    delivery: _Delivery, task_file: TaskFile, task: Task, log: LogData, harvest: HarvestLog, first_row: int
) -> pl.DataFrame:
    """The readings of one log with row, time, machine, field and crop."""
    constants = delivery.stated.constants
    device = device_of(log.columns, task, task_file)
    machine = str(constants.get("machine") or machine_of(device, delivery.farm))
    partfield = task_file.fields.get(task.field or "")
    field_name = str(constants.get("field") or (partfield.designator if partfield else "")) or None
    stated_crop = delivery.farm.machines[machine].crop if machine in delivery.farm.machines else None
    crop = constants.get("crop") or crop_of(task, task_file) or stated_crop
    zone = delivery.stated.time_zone or delivery.farm.zone_of(machine)
    times, notes = utc_moments(log.local_us, log.fixed, task.times, zone)
    last_row = first_row + log.numbered - 1
    delivery.notes.append(
        f"{log.stem}: rows {first_row} to {last_row}, {len(log)} readings of {machine}"
        f"{f' in {field_name}' if field_name else ''}."
    )
    delivery.notes += [*(f"{log.stem}: {note}" for note in notes), *harvest.notes]
    delivery.unmatched |= set(harvest.unmatched)
    return harvest.frame.select(
        (pl.col("number") + (first_row - 1)).alias("row"),
        times.alias("time"),
        pl.lit(machine).alias("machine"),
        pl.lit(field_name, dtype=pl.String).alias("field"),
        pl.lit(None if crop is None else str(crop), dtype=pl.String).alias("crop"),
        pl.exclude("number"),
    )


def _side_by_side(delivery: _Delivery, frames: list[pl.DataFrame]) -> list[pl.DataFrame]:
    """Logs of one task that run at the same moments joined into one, the others as they are."""
    result: list[pl.DataFrame] = []
    for frame in frames:
        for index, before in enumerate(result):
            merged = merge_parallel(before, frame)
            if merged is not None:
                delivery.notes.append(
                    f"Rows {frame['row'][0]} to {frame['row'][-1]} were logged side by side with rows "
                    f"{before['row'][0]} to {before['row'][-1]} and joined to them by moment."
                )
                result[index] = merged
                break
        else:
            result.append(frame)
    return result


def _read_fields(delivery: _Delivery, task_file: TaskFile) -> None:
    for partfield in task_file.fields.values():
        if not partfield.polygons:
            continue
        text, area_ha, fault = boundary(partfield)
        name = partfield.designator or partfield.id
        if fault:
            delivery.notes.append(f"Field {name}: {fault}.")
        if text is None:
            if fault:
                delivery.set_aside(Aside(1, "bad_boundary", f"Field {name}: {fault}.", "boundary_wkt", name))
            continue
        delivery.rows += 1
        row = {"row": delivery.rows, "field": name, "boundary_wkt": text, "area_ha": area_ha}
        delivery.fields.append(pl.DataFrame([row]))


def _parsed(delivery: _Delivery, boundaries: Boundaries) -> Parsed:
    readings = pl.concat(delivery.readings, how="diagonal") if delivery.readings else None
    adjustments = None
    if readings is not None:
        readings = _completed(readings.drop("local_us"), delivery, boundaries)
        adjustments = setting_changes(readings, delivery.notes)
    aside = pl.concat(delivery.asides).sort("row", maintain_order=True) if delivery.asides else None
    fields = pl.concat(delivery.fields) if delivery.fields else None
    kept = sum(len(frame) for frame in (readings, fields) if frame is not None)
    return Parsed(
        kind="task data",
        readings=readings,
        adjustments=adjustments if adjustments is not None and len(adjustments) else None,
        fields=fields,
        set_aside=aside,
        rows_read=kept + (aside["row"].n_unique() if aside is not None else 0),
        unmatched_columns=tuple(sorted(delivery.unmatched)),
        notes=tuple(dict.fromkeys(delivery.notes)),
    )


def _completed(readings: pl.DataFrame, delivery: _Delivery, boundaries: Boundaries) -> pl.DataFrame:
    """Readings with a field where the task names none, with a speed and a width where the log has none."""
    import shapely
    from chaffinch.pipelines.ingest.places import fields_at

    if readings["field"].null_count():
        own = [
            (row["field"], shapely.from_wkt(row["boundary_wkt"]))
            for f in delivery.fields
            for row in f.to_dicts()
        ]
        readings = fields_at(readings, [*own, *boundaries], delivery.notes)
    widths = {name: m.width_m for name, m in delivery.farm.machines.items() if m.width_m is not None}
    if widths and "working_width_m" not in readings.columns:
        stated = readings["machine"].replace_strict(widths, default=None, return_dtype=pl.Float64)
        readings = readings.with_columns(stated.alias("working_width_m"))
        delivery.notes.append("The logs hold no working width; that of farm.toml was taken.")
    if "speed_m_s" not in readings.columns:
        readings = with_speed(readings)
        delivery.notes.append("The logs hold no speed; it was worked out from positions and times.")
    return readings
