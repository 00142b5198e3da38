"""The logs of one task set as readings with row, machine, field and crop, on the terminal's clock still."""

from __future__ import annotations

from dataclasses import replace

import polars as pl
from chaffinch.pipelines.ingest.inbox.inbox_file import AGAIN
from chaffinch.pipelines.ingest.kinds.missing_columns import without_impossible
from chaffinch.pipelines.ingest.task_data.files.safe_xml import RefusedXml, parse_xml
from chaffinch.pipelines.ingest.task_data.files.task_file import LOG_FILE
from chaffinch.pipelines.ingest.task_data.files.task_objects import Device, LogReference, Task
from chaffinch.pipelines.ingest.task_data.files.task_set import DamagedMember
from chaffinch.pipelines.ingest.task_data.meaning.channel_table import ChannelTable, channels_of_log
from chaffinch.pipelines.ingest.task_data.meaning.gathered import Gathered
from chaffinch.pipelines.ingest.task_data.meaning.held_values import Carry
from chaffinch.pipelines.ingest.task_data.meaning.naming import (
    crop_of,
    crops_by_time,
    device_of,
    field_of,
    machine_of,
    other_machine,
    people_of,
)
from chaffinch.pipelines.ingest.task_data.meaning.simultaneous_logs import joined
from chaffinch.pipelines.ingest.task_data.meaning.speed import with_speed
from chaffinch.pipelines.ingest.task_data.meaning.totals import compare_totals, growth
from chaffinch.pipelines.ingest.task_data.records.columns import names_in_farm, resolve
from chaffinch.pipelines.ingest.task_data.records.log_header import LogHeader, read_header
from chaffinch.pipelines.ingest.task_data.records.log_reading import LogData, read_log
from chaffinch.pipelines.ingest.task_data.records.rejected_records import Rejected, content_of, rejected_frame
from chaffinch.pipelines.ingest.task_data.records.utc import LocalTimeLog


def read_logs(gathered: Gathered) -> list[LocalTimeLog]:
    """Every log of a set: those of its tasks, then those that no task names."""
    logs: list[LocalTimeLog] = []
    for number, task in enumerate(gathered.task_file.tasks):
        logs += read_task(gathered, task, str(number))
    return logs + _read_strays(gathered)


def _read_strays(gathered: Gathered) -> list[LocalTimeLog]:
    """Logs that no task names: read by their header where there is one, without field and crop."""
    logs: list[LocalTimeLog] = []
    for name in sorted(gathered.task_set.files):
        header_of, _, ending = name.rpartition(".")
        if (
            ending.casefold() == "xml"
            and LOG_FILE.fullmatch(header_of)
            and header_of.casefold() not in gathered.seen
        ):
            if gathered.task_set.name_of(f"{header_of}.BIN") is None:
                why = f"{name} is the header of a log, and {header_of}.BIN is missing."
                gathered.set_aside(Rejected(1, "log_missing", why))
            continue
        stem = _log_stem(name)
        if stem is None or stem.casefold() in gathered.seen or name in gathered.task_set.clashes:
            continue
        if gathered.task_set.name_of(f"{stem}.XML") is None:
            what = "of a log that no task names and without a header"
            gathered.set_file_aside(name, "log_without_task", what)
            continue
        gathered.ask(f"{stem}: no task names this log, so its field and crop are unknown.")
        no_task = Task("no task", "", None, None, (LogReference(stem, None),), (), (), ())
        logs += read_task(gathered, no_task, stem)
    return logs


def set_clashes_aside(gathered: Gathered) -> None:
    """Set logs aside whose name the set holds already."""
    for name in gathered.task_set.clashes:
        if _log_stem(name):
            gathered.set_file_aside(name, "log_of_same_name", "of a log whose name occurs twice")


def _log_stem(name: str) -> str | None:
    """Stem of the binary of a log; None for any other file."""
    stem, _, ending = name.removesuffix(AGAIN).rpartition(".")
    return stem if ending.casefold() == "bin" and LOG_FILE.fullmatch(stem) else None


def read_task(gathered: Gathered, task: Task, key: str) -> list[LocalTimeLog]:
    """The logs of one task. ``key`` identifies the task."""
    carry: Carry = {}
    raw: list[LogData] = []
    grown: list[dict[int, float]] = []
    field = _field(gathered, task)
    for reference in task.logs:
        if reference.stem.casefold() in gathered.seen:
            gathered.notes.append(f"{reference.stem}: named by more than one task; read once.")
            continue
        gathered.seen.add(reference.stem.casefold())
        log = _open_log(gathered, task, reference)
        if log is None:
            continue
        first_row = gathered.rows + 1
        gathered.rows += log.numbered
        if log.asides:
            gathered.asides.append(rejected_frame(log.asides, first_row))
        gathered.notes += log.notes
        if not log.numbered:
            gathered.ask(f"{log.stem}.BIN is empty: the terminal logged nothing, or it was copied too early.")
        if len(log):
            gathered.notes.append(
                f"{log.stem}: rows {first_row} to {gathered.rows}, {len(log)} readings of "
                f"{_machine(gathered, task, log)}{f' in {field}' if field else ''}."
            )
            raw.append(replace(log, number=log.number + (first_row - 1)))
    logs = []
    for log in joined(raw, lambda one: _machine(gathered, task, one), gathered.notes):
        grown.append(growth(log))
        logs.append(_with_speed(gathered, _untimed(gathered, task, key, log, carry)))
    for sentence, far_apart in compare_totals(task, grown, [(one.stem, one.frame) for one in logs]):
        (gathered.ask if far_apart else gathered.notes.append)(sentence)
    return logs


def _machine(gathered: Gathered, task: Task, log: LogData) -> str:
    stated = gathered.stated.constants.get("machine")
    device = device_of(log.columns, task, gathered.task_file)
    return str(stated or machine_of(device, gathered.task_file, gathered.farm))


def _field(gathered: Gathered, task: Task) -> str | None:
    return str(gathered.stated.constants.get("field") or field_of(task, gathered.task_file)) or None


def _open_log(gathered: Gathered, task: Task, reference: LogReference) -> LogData | None:
    """The log that a task names; None with a row set aside when it cannot be read."""
    stem = reference.stem
    if not LOG_FILE.fullmatch(stem):
        sentence = f"{task.id}: a log has a name that the standard does not allow; it was not looked for."
        gathered.set_aside(Rejected(1, "log_missing", sentence))
        return None
    try:
        data = gathered.task_set.read(f"{stem}.BIN")
    except (OSError, DamagedMember) as error:
        why = f"{stem}.BIN is named by task {task.id} but can't be read: {_reason(error)}."
        gathered.set_aside(Rejected(1, "log_missing", why))
        return None
    if data is None:
        gathered.set_aside(
            Rejected(1, "log_missing", f"{stem}.BIN is named by task {task.id} but is missing.")
        )
        return None
    header = _open_header(gathered, stem, data)
    if header is None:
        return None
    if reference.declared_bytes not in (None, len(data)):
        gathered.ask(
            f"{stem}: the task file declares {reference.declared_bytes} bytes, the log has {len(data)}; it "
            "was read whole."
        )
    columns = resolve(header, gathered.task_file, gathered.stated.names)
    if gathered.stated.names:
        gathered.met.update(name for column in columns for name in names_in_farm(column))
    return read_log(stem, data, header, columns)


def _open_header(gathered: Gathered, stem: str, data: bytes) -> LogHeader | None:
    try:
        text = gathered.task_set.read(f"{stem}.XML")
    except (OSError, DamagedMember):
        text = None
        why = f"{stem}.XML can't be read, so the {len(data)} bytes of {stem}.BIN have no layout."
    else:
        why = f"{stem}.XML, the header of {stem}.BIN, is missing, so its {len(data)} bytes have no layout."
    if text is not None:
        try:
            document = parse_xml(text)
            if document.fault:
                gathered.ask(f"{stem}.XML {document.fault}; what comes before was read.")
            return read_header(document.root)
        except (RefusedXml, ValueError) as error:
            why = f"{stem}.XML {error}; the {len(data)} bytes of {stem}.BIN were not read."
    gathered.set_aside(Rejected(1, "log_without_header", why, content=content_of(f"{stem}.BIN", 0, data)))
    return None


def _reason(error: OSError | DamagedMember) -> str:
    reason = error.reason if isinstance(error, DamagedMember) else error.strerror or type(error).__name__
    return reason.rstrip(".")


def _untimed(gathered: Gathered, task: Task, key: str, log: LogData, carry: Carry) -> LocalTimeLog:
    """The readings of one log with row, machine, field and crop."""
    constants = gathered.stated.constants
    _note_missing(gathered, task, log)
    device = device_of(log.columns, task, gathered.task_file)
    if device is None and "machine" not in constants:
        gathered.ask(
            f"{log.stem}: no device is described, so the machine has no name; name it in farm.toml, under "
            "columns and constants."
        )
    machine = _machine(gathered, task, log)
    _note_device(gathered, machine, device)
    if device is not None and (kind := other_machine(device, log.columns)) is not None:
        gathered.notes.append(
            f"{log.stem}: {machine} is not a combine but a {kind}, by its device class or what it logs; its readings "
            "are kept, and no effect follows from them."
        )
    field = _field(gathered, task)
    stated_crop = gathered.farm.machines[machine].crop if machine in gathered.farm.machines else None
    named = constants.get("crop") or crop_of(task, gathered.task_file) or stated_crop
    crop = None if named is None else gathered.farm.crop_named(str(named))
    harvest = channels_of_log(log, gathered.task_file, device, carry, people_of(task, gathered.task_file))
    _note_uses(gathered, harvest)
    frame = harvest.frame.select(
        pl.col("number").alias("row"),
        pl.lit(machine).alias("machine"),
        pl.lit(field, dtype=pl.String).alias("field"),
        pl.lit(None if crop is None else str(crop), dtype=pl.String).alias("crop"),
        pl.exclude("number"),
    )
    zone = gathered.stated.time_zone or gathered.farm.zone_of(machine)
    # A crop that farm.toml states holds for all of the file.
    by_time = () if constants.get("crop") else crops_by_time(task, gathered.task_file)
    return LocalTimeLog(frame, log.stem, machine, zone, log.satellites, key, task.times, by_time)


def _note_device(gathered: Gathered, machine: str, device: Device | None) -> None:
    """Two machines of one model often share a designator; this distinguishes them, and is an alias."""
    if device is None or not (device.serial or device.name):
        return
    known = (("serial number", device.serial), ("bus name", device.name))
    known_by = " and ".join(f"{what} {text}" for what, text in known if text)
    gathered.notes.append(f"{machine} is the device with {known_by}.")
    if machine.startswith(f"{device.designator} ") and machine not in gathered.farm.machines:
        gathered.ask(
            f"Several devices of the task data are called {device.designator}; one of them is named {machine} here. "
            "Give each its name in farm.toml, with that serial number or bus name under aliases."
        )


def _note_missing(gathered: Gathered, task: Task, log: LogData) -> None:
    """Note what the log or its task refers to and the task file lacks."""
    missing = sorted(
        {c.place.element[:14] or "none" for c in log.columns if c.element is None and not c.place.signal}
    )
    if missing:
        listed = ", ".join(missing[:5]) + (", ..." if len(missing) > 5 else "")
        gathered.ask(
            f"{log.stem}: values of device elements that the task file does not describe ({listed}) were read "
            "by the dictionary alone."
        )
    if task.field and task.field not in gathered.task_file.fields:
        gathered.ask(
            f"{log.stem}: its task names field {task.field[:14]}, which the task file does not list."
        )


def _with_speed(gathered: Gathered, log: LocalTimeLog) -> LocalTimeLog:
    if "speed_m_s" in log.frame.columns:
        return log
    gathered.notes.append(f"{log.stem}: the log holds no speed; it was computed from positions and times.")
    frame = without_impossible(with_speed(log.frame), ["speed_m_s"], gathered.notes, f"{log.stem}: ")
    return replace(log, frame=frame)


def _note_uses(gathered: Gathered, harvest: ChannelTable) -> None:
    gathered.notes += harvest.notes
    gathered.ask(*harvest.attention)
    for use in harvest.uses:
        if use.key not in gathered.uses or gathered.uses[use.key].raw is None:
            gathered.uses[use.key] = use
