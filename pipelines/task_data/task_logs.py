"""The logs of a task, one after another, as readings with row, time, machine, field and crop."""

from __future__ import annotations

import polars as pl
from chaffinch.pipelines.task_data import asides as asides_module
from chaffinch.pipelines.task_data.asides import Aside, content_of
from chaffinch.pipelines.task_data.clock import utc_moments
from chaffinch.pipelines.task_data.columns import resolve
from chaffinch.pipelines.task_data.container import TaskSet
from chaffinch.pipelines.task_data.delivery import Delivery
from chaffinch.pipelines.task_data.harvest_log import HarvestLog, harvest_log
from chaffinch.pipelines.task_data.held_values import Carry
from chaffinch.pipelines.task_data.log_header import LogHeader, read_header
from chaffinch.pipelines.task_data.log_reading import LogData, read_log
from chaffinch.pipelines.task_data.naming import crop_of, device_of, machine_of
from chaffinch.pipelines.task_data.safe_xml import RefusedXml, parse_xml
from chaffinch.pipelines.task_data.task_file import LOG_FILE, LogReference, Task, TaskFile
from chaffinch.pipelines.task_data.totals import compare_totals


def read_strays(delivery: Delivery, task_set: TaskSet, task_file: TaskFile, seen: set[str]) -> None:
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
        delivery.ask(f"{stem}: no task names this log; its field and crop are not known.")
        read_task(delivery, task_set, task_file, _no_task(stem), seen)


def _no_task(stem: str) -> Task:
    return Task("no task", "", None, None, (LogReference(stem, None),), (), (), ())


def read_task(delivery: Delivery, task_set: TaskSet, task_file: TaskFile, task: Task, seen: set[str]) -> None:
    """Add the readings of one task to ``delivery``. ``seen``: stems of the logs read already, lower case."""
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
    delivery: Delivery, task_set: TaskSet, task_file: TaskFile, task: Task, reference: LogReference
) -> LogData | None:
    """The log that a task names; None with a row set aside when it cannot be read."""
    stem = reference.stem
    if not LOG_FILE.fullmatch(stem):
        sentence = f"{task.id}: a log has a name that the standard does not allow; it was not looked for."
        delivery.set_aside(Aside(1, "log_missing", sentence))
        return None
    try:
        data = task_set.read(f"{stem}.BIN")
    except OSError as error:
        why = f"{stem}.BIN is named by task {task.id} but can't be read: {error.strerror}."
        delivery.set_aside(Aside(1, "log_missing", why))
        return None
    if data is None:
        delivery.set_aside(Aside(1, "log_missing", f"{stem}.BIN is named by task {task.id} but not there."))
        return None
    header = _open_header(delivery, task_set, stem, data)
    if header is None:
        return None
    if reference.declared_bytes not in (None, len(data)):
        delivery.ask(
            f"{stem}: the task file declares {reference.declared_bytes} bytes, the log has {len(data)}; it "
            "was read whole."
        )
    return read_log(stem, data, header, resolve(header, task_file, delivery.stated.names))


def _open_header(delivery: Delivery, task_set: TaskSet, stem: str, data: bytes) -> LogHeader | None:
    text = task_set.read(f"{stem}.XML")
    if text is None:
        why = f"{stem}.XML, the header of {stem}.BIN, is not there, so its {len(data)} bytes have no layout."
    else:
        try:
            document = parse_xml(text)
            if document.fault:
                delivery.ask(f"{stem}.XML {document.fault}; what stands before was read.")
            return read_header(document.root)
        except (RefusedXml, ValueError) as error:
            why = f"{stem}.XML {error}; the {len(data)} bytes of {stem}.BIN were not read."
    delivery.set_aside(Aside(1, "log_without_header", why, content=content_of(f"{stem}.BIN", 0, data)))
    return None


def _named(
    delivery: Delivery, task_file: TaskFile, task: Task, log: LogData, harvest: HarvestLog, first_row: int
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
    delivery.ask(*harvest.attention)
    for use in harvest.uses:
        if use.key not in delivery.uses or delivery.uses[use.key].raw is None:
            delivery.uses[use.key] = use
    return harvest.frame.select(
        (pl.col("number") + (first_row - 1)).alias("row"),
        times.alias("time"),
        pl.lit(machine).alias("machine"),
        pl.lit(field_name, dtype=pl.String).alias("field"),
        pl.lit(None if crop is None else str(crop), dtype=pl.String).alias("crop"),
        pl.exclude("number"),
    )


def _side_by_side(delivery: Delivery, frames: list[pl.DataFrame]) -> list[pl.DataFrame]:
    """Logs of one task that run at the same moments joined into one, the others as they are."""
    result: list[pl.DataFrame] = []
    for frame in frames:
        for index, before in enumerate(result):
            merged = _merge_parallel(before, frame)
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


def _merge_parallel(first: pl.DataFrame, second: pl.DataFrame) -> pl.DataFrame | None:
    """Two logs of one time joined reading by reading, when nearly all moments of the shorter are shared.

    Some terminals split a machine's values over several logs that run side by side. Where both hold a
    channel the first one's value stands. None when the two do not run side by side.
    """
    shared = second.join(first.select("local_us").unique(), on="local_us", how="semi")
    shorter = min(len(first), len(second))
    once = first["local_us"].is_unique().all() and second["local_us"].is_unique().all()
    if not shorter or not once or len(shared) < 0.9 * shorter:
        return None
    whole = first.join(second, on="local_us", how="full", coalesce=True, suffix=" second")
    both = [name for name in second.columns if name in first.columns and name != "local_us"]
    merged = [pl.coalesce(name, f"{name} second") for name in both if name != "other"]
    texts = (
        pl.when(pl.col("other").is_not_null() & pl.col("other second").is_not_null())
        .then(pl.col("other").str.head(-1) + ", " + pl.col("other second").str.slice(1))
        .otherwise(pl.coalesce("other", "other second"))
    )
    whole = whole.with_columns(*merged, texts.alias("other"))
    return whole.drop([f"{name} second" for name in both]).sort("local_us", maintain_order=True)
