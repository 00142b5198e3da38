"""Names of machine and crop out of the task file."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence

from chaffinch.pipelines.farm import Farm
from chaffinch.pipelines.ingest.task_data.files.task_objects import Device, Partfield, Task, TaskFile
from chaffinch.pipelines.ingest.task_data.records.columns import LogColumn
from chaffinch.schemas.declarations import crops

UNNAMED = "unnamed machine"
# What a combine logs and other machines do not: yield, loss, moisture, header, sieves, concave, fan (ISO 11783-11).
HARVEST = frozenset((*range(83, 101), *range(181, 184), *range(237, 240), *range(242, 258), 314))
MEASURED_BY_COMBINES = (
    "grain_flow_kg_s", "separation_loss_signal", "cleaning_loss_signal", "separation_loss_kg_s",
    "cleaning_loss_kg_s", "returns_signal", "grain_moisture_pct",
)  # fmt: skip
# Amounts spread, sown or sprayed.
APPLIED = frozenset(range(1, 41))
# Device classes of ISO 11783-1 in the bus name that are no combine; a class alone never proves one.
OTHER_MACHINES = {
    1: "tractor", 2: "tillage machine", 4: "planter or seeder", 5: "fertilizer spreader", 6: "sprayer",
    8: "root harvester", 9: "forage harvester", 10: "irrigation machine", 11: "trailer", 17: "sensor system",
}  # fmt: skip


def device_of(columns: Sequence[LogColumn], task: Task, task_file: TaskFile) -> Device | None:
    """The machine of a log: the device with most columns that feed a channel, then most columns."""
    owners = [column.element.device for column in columns if column.element is not None]
    feeding = Counter(c.element.device for c in columns if c.element is not None and c.target is not None)
    if owners:
        every = Counter(owners)
        best = max(every, key=lambda device: (feeding[device], every[device]))
        return task_file.devices.get(best)
    allocated = [task_file.devices[name] for name in task.devices if name in task_file.devices]
    if len(allocated) == 1:
        return allocated[0]
    return next(iter(task_file.devices.values())) if len(task_file.devices) == 1 else None


def machine_of(device: Device | None, task_file: TaskFile, farm: Farm) -> str:
    """Name of the machine: the farm's for its serial number, bus name or designator, else the designator.

    A designator is often that of the model; where two devices of the set share one, each goes with its serial
    number or bus name. A device described again under its old bus name is the same machine.
    """
    if device is None:
        return UNNAMED
    aliases = farm.machine_aliases()
    for known in (device.serial, device.name, device.designator):
        if known and known.casefold() in aliases:
            return aliases[known.casefold()]
    name = device.designator or device.serial or device.name or UNNAMED
    twins = [one for one in task_file.devices.values() if one.designator == device.designator]
    own = device.serial or device.name or device.id
    if device.designator and len({one.name or one.serial or one.id for one in twins}) > 1:
        return f"{name} {own}"
    return name


def other_machine(device: Device, columns: Sequence[LogColumn]) -> str | None:
    """What kind of machine it is, by its device class or by what it logs; None where it may be a combine."""
    logged = {column.place.identifier for column in columns}
    if logged & HARVEST or any(column.target in MEASURED_BY_COMBINES for column in columns):
        return None
    # Industry group 2 is agriculture; class: seven bits below the four of the instance.
    name = int(device.name, 16) if re.fullmatch(r"[0-9A-F]{16}", device.name) else 0
    kind = OTHER_MACHINES.get((name >> 49) & 0x7F) if (name >> 60) & 7 == 2 else None
    return kind or ("machine that spreads, sows or sprays" if logged & APPLIED else None)


def field_of(task: Task, task_file: TaskFile) -> str:
    """Name of the field of a task; empty when it has none."""
    partfield = task_file.fields.get(task.field or "")
    return "" if partfield is None else field_name(partfield, task_file)


def field_name(partfield: Partfield, task_file: TaskFile) -> str:
    """Name of a field, with its code or identifier where two fields of the set share one."""
    name = partfield.designator or partfield.id
    twins = [one for one in task_file.fields.values() if one.designator == partfield.designator]
    if not partfield.designator or len(twins) == 1:
        return name
    codes = [one.code for one in twins]
    return f"{name} {partfield.code if partfield.code and codes.count(partfield.code) == 1 else partfield.id}"


def people_of(task: Task, task_file: TaskFile) -> dict[str, str]:
    """Names of customer, farm and workers of a task; empty unless ``farm.toml`` asks for them."""
    partfield = task_file.fields.get(task.field or "")
    customer = task.customer or (partfield.customer if partfield else None)
    farm = task.farm or (partfield.farm if partfield else None)
    named = {
        "customer": task_file.people.get(customer or ""),
        "farm": task_file.people.get(farm or ""),
        "workers": ", ".join(filter(None, (task_file.people.get(worker) for worker in task.workers))),
    }
    return {role: name for role, name in named.items() if name}


def crop_of(task: Task, task_file: TaskFile) -> str | None:
    """Crop of a task: the product allocated to it that is a crop, else the crop type of its field.

    In the spelling of ``schemas/crops.toml`` where that knows it, else as written.
    """
    products = [name for name in task.products if name in task_file.crop_products]
    if not products and len(set(task.products)) == 1:
        known = [name for name in task.products if _declared(task_file.products.get(name, ""))]
        products = known
    if products:
        text = task_file.products.get(products[0], "")
    else:
        partfield = task_file.fields.get(task.field or "")
        text = task_file.crops.get(partfield.crop or "", "") if partfield else ""
    return _declared(text) or text.strip() or None


def crops_by_time(task: Task, task_file: TaskFile) -> tuple[tuple[str, str], ...]:
    """(crop, start as written) of each stamped allocation of a crop, in order; empty unless there are two crops."""
    found = sorted(
        (allocated.start, crop)
        for allocated in task.allocations
        if allocated.start and (crop := _declared(task_file.products.get(allocated.product, "")))
    )
    return tuple((crop, start) for start, crop in found) if len({crop for _, crop in found}) > 1 else ()


def _declared(text: str) -> str | None:
    """The declared crop of these words in any order: ``Wheat (winter)`` is winter wheat."""
    words = _words(text)
    for crop in crops().values():
        if words and words in map(_words, (crop.name, crop.label, *crop.synonyms)):
            return crop.name
    return None


def _words(text: str) -> frozenset[str]:
    return frozenset(re.findall(r"\w+", text.casefold().replace("_", " ")))
