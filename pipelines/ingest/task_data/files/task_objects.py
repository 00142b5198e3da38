"""What TASKDATA.XML describes, as plain frozen objects: devices, tasks, fields, logs.

Identifiers are opaque texts, valid in their set of task data only.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from chaffinch.pipelines.ingest.task_data.files.safe_xml import Node

ON_CHANGE = 8
ON_THRESHOLD = 4
FINISHED = 4


@dataclass(frozen=True, slots=True)
class Presentation:
    """How the device shows a raw value: (raw + offset) x scale, in ``unit`` (free text)."""

    offset: int
    scale: float
    unit: str


@dataclass(frozen=True, slots=True)
class ProcessValue:
    """What a device says of one identifier at one element: logged (``triggers``) or fixed (``raw``)."""

    identifier: int
    designator: str
    presentation: Presentation | None
    triggers: int | None = None
    raw: int | None = None

    @property
    def kept_until_changed(self) -> bool:
        """Whether the log holds it only when it changed: an absent value then means the last one."""
        return (
            self.triggers is not None
            and bool(self.triggers & (ON_CHANGE | ON_THRESHOLD))
            and not (self.triggers & 3)
        )


@dataclass(frozen=True, slots=True)
class DeviceElement:
    """``parents``: identifiers of the elements above, nearest first. ``kind``: see ``ELEMENT_KINDS``."""

    id: str
    device: str
    kind: str
    number: int
    designator: str
    parents: tuple[str, ...]
    logged: Mapping[int, ProcessValue]
    fixed: Mapping[int, ProcessValue]


@dataclass(frozen=True, slots=True)
class Device:
    id: str
    designator: str
    name: str
    serial: str
    elements: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class TimeSpan:
    """``start`` and ``stop`` as written; ``totals``: (identifier, element, raw) at the stop."""

    start: str | None
    stop: str | None
    kind: int | None
    totals: tuple[tuple[int, str, int], ...]


@dataclass(frozen=True, slots=True)
class Allocation:
    """A product of a task, and from when to when as written; both None where it holds for the whole task."""

    product: str
    start: str | None
    stop: str | None


@dataclass(frozen=True, slots=True)
class LogReference:
    stem: str
    declared_bytes: int | None


@dataclass(frozen=True, slots=True)
class Task:
    """``products``, ``devices``, ``workers``: identifiers of those allocated to the task.

    allocations : its products with the times of their stamps.
    """

    id: str
    designator: str
    field: str | None
    status: int | None
    logs: tuple[LogReference, ...]
    times: tuple[TimeSpan, ...]
    products: tuple[str, ...]
    devices: tuple[str, ...]
    customer: str | None = None
    farm: str | None = None
    workers: tuple[str, ...] = ()
    allocations: tuple[Allocation, ...] = ()

    @property
    def is_finished(self) -> bool:
        return self.status == FINISHED


@dataclass(frozen=True, slots=True)
class Partfield:
    """``polygons``: the polygon elements as they stand; ``geometry`` makes areas of them.

    crop, customer, farm : identifiers.
    """

    id: str
    designator: str
    code: str
    crop: str | None
    polygons: tuple[Node, ...]
    customer: str | None = None
    farm: str | None = None


@dataclass(frozen=True, slots=True)
class TaskFile:
    """``people``: names of customers, farms and workers by identifier; empty unless they were asked for."""

    version: str
    devices: Mapping[str, Device]
    elements: Mapping[str, DeviceElement]
    tasks: tuple[Task, ...]
    fields: Mapping[str, Partfield]
    crops: Mapping[str, str]
    products: Mapping[str, str]
    crop_products: frozenset[str]
    notes: tuple[str, ...] = field(default=())
    people: Mapping[str, str] = field(default_factory=dict)
