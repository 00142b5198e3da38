"""TASKDATA.XML with its linked files, read into the objects of ``task_objects``.

Read as the union of versions 2 to 4, whatever version the file claims. Names of customers, farms and workers are
read only when asked for, addresses never. What is wrong with the file becomes a note.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from types import MappingProxyType

from chaffinch.pipelines.ingest.task_data.files.safe_xml import Node, RefusedXml, parse_xml
from chaffinch.pipelines.ingest.task_data.files.task_objects import (
    Allocation,
    Device,
    DeviceElement,
    LogReference,
    Partfield,
    Presentation,
    ProcessValue,
    Task,
    TaskFile,
    TimeSpan,
)
from chaffinch.pipelines.ingest.task_data.files.task_set import DamagedMember, TaskSet

ELEMENT_KINDS = ("", "device", "function", "bin", "section", "unit", "connector", "navigation")
LINKED_FILE = re.compile(
    r"(AFE|BSN|CCT|CCG|CLD|CPC|CTP|CTR|DVC|FRM|OTQ|PDT|PFD|PGP|TCC|TSK|VPN|WKR)-?\d{1,10}", re.I
)
# The standard has five digits, writers four to eight, and nothing that could lead elsewhere.
LOG_FILE = re.compile(r"TLG-?\d{1,10}", re.I)
_ENDING = re.compile(r"\.(xml|bin)$", re.I)
MAX_LINKED_FILES = 1000


def read_task_file(task_set: TaskSet, people: bool = False) -> TaskFile:
    """Read TASKDATA.XML of ``task_set`` and the files it links to.

    people : whether to read the names of customers, farms and workers. Raises ``RefusedXml``,
    ``DamagedMember``.
    """
    notes: list[str] = []
    data = task_set.read("TASKDATA.XML")
    if data is None:
        raise RefusedXml("is not there")
    document = parse_xml(data)
    if document.fault:
        notes.append(f"TASKDATA.XML {document.fault}; what comes before was read.")
    if document.root.tag != "ISO11783_TaskData":
        raise RefusedXml("does not begin with ISO11783_TaskData, so it is not task data")
    top = [*document.root.children, *linked_elements(document.root, task_set, notes)]
    devices, elements = _devices(top, notes)
    crops = {node.get("A") or "": node.get("B") or "" for node in top if node.tag == "CTP"}
    products = {node.get("A") or "": node.get("B") or "" for node in top if node.tag == "PDT"}
    crop_groups = {node.get("A") for node in top if node.tag == "PGP" and node.whole("C") == 2}
    crop_products = {
        node.get("A") or "" for node in top if node.tag == "PDT" and node.get("C") in crop_groups
    }
    # Of a million fields without an identifier only the last counts.
    fields = {node.get("A") or "": node for node in _unique(top, "PFD", notes)}
    root = document.root
    return TaskFile(
        f"{root.get('VersionMajor') or '?'}.{root.get('VersionMinor') or '?'}",
        MappingProxyType(devices),
        MappingProxyType(elements),
        tuple(_task(node) for node in _unique(top, "TSK", notes)),
        MappingProxyType({identifier: _field(node) for identifier, node in fields.items()}),
        MappingProxyType(crops),
        MappingProxyType(products),
        frozenset(crop_products),
        tuple(notes),
        MappingProxyType(dict(_people(top)) if people else {}),
    )


def _people(top: list[Node]) -> Iterator[tuple[str, str]]:
    for node in top:
        if node.tag in ("CTR", "WKR", "FRM"):
            first = node.get("C") if node.tag != "FRM" else None
            yield node.get("A") or "", " ".join(part for part in (first, node.get("B")) if part)


def linked_elements(root: Node, task_set: TaskSet, notes: list[str]) -> Iterator[Node]:
    """Elements of the linked files, one level deep; other names are not looked up."""
    seen: set[str] = set()
    for reference in root.named("XFR"):
        stem = _stem(reference)
        if len(seen) >= MAX_LINKED_FILES:
            notes.append(f"TASKDATA.XML links more than {MAX_LINKED_FILES} files; the rest was not read.")
            return
        if not LINKED_FILE.fullmatch(stem):
            notes.append(
                "TASKDATA.XML links a file whose name the standard does not allow; it was not opened."
            )
            continue
        if stem.upper() in seen:
            continue
        seen.add(stem.upper())
        try:
            data = task_set.read(f"{stem}.XML")
        except DamagedMember as error:
            notes.append(f"{stem}.XML is linked but {error.reason}")
            continue
        if not data:
            notes.append(f"{stem}.XML is linked but {'empty' if data is not None else 'missing'}.")
            continue
        try:
            document = parse_xml(data)
        except RefusedXml as error:
            notes.append(f"{stem}.XML {error}.")
            continue
        if document.fault:
            notes.append(f"{stem}.XML {document.fault}; what comes before was read.")
        yield from (child for child in document.root.children if child.tag != "XFR")


def _stem(reference: Node) -> str:
    """File name without its ending, which some writers leave on."""
    return _ENDING.sub("", reference.get("A") or "")


def _unique(nodes: list[Node], tag: str, notes: list[str]) -> Iterator[Node]:
    """Elements of one kind; where an identifier is declared twice the first counts, and a note says so."""
    seen: set[str] = set()
    for position, node in enumerate(node for node in nodes if node.tag == tag):
        identifier = node.get("A") or f"{tag} without identifier {position}"
        if identifier in seen:
            notes.append(f"{tag} '{identifier[:14]}' is declared twice; the first counts.")
            continue
        seen.add(identifier)
        yield node


def _devices(top: list[Node], notes: list[str]) -> tuple[dict[str, Device], dict[str, DeviceElement]]:
    devices: dict[str, Device] = {}
    elements: dict[str, DeviceElement] = {}
    for node in _unique(top, "DVC", notes):
        own = _elements(node)
        for element in own:
            if element.id in elements:
                notes.append(f"DET '{element.id[:14]}' is declared twice; the first counts.")
            elements.setdefault(element.id, element)
        identifier = node.get("A") or ""
        devices[identifier] = Device(
            identifier,
            node.get("B") or "",
            (node.get("D") or "").upper(),
            node.get("E") or "",
            tuple(element.id for element in own),
        )
    return devices, elements


def _elements(device: Node) -> list[DeviceElement]:
    shown = {node.whole("A"): _presentation(node) for node in device.named("DVP")}
    values: dict[int | None, ProcessValue] = {}
    for node in device.named("DPD", "DPT"):
        identifier = node.hexadecimal("B")
        if identifier is None:
            continue
        logged = node.tag == "DPD"
        values[node.whole("A")] = ProcessValue(
            identifier,
            node.get("E" if logged else "D") or "",
            shown.get(node.whole("F" if logged else "E")),
            (node.whole("D") or 0) if logged else None,
            None if logged else node.whole("C"),
        )
    by_number = {node.whole("B"): node for node in device.named("DET")}
    return [_element(node, device, by_number, values) for node in device.named("DET")]


def _element(
    node: Node, device: Node, by_number: Mapping[int | None, Node], values: Mapping[int | None, ProcessValue]
) -> DeviceElement:
    own = [values[number] for reference in node.named("DOR") if (number := reference.whole("A")) in values]
    kind = node.whole("C") or 0
    return DeviceElement(
        node.get("A") or "",
        device.get("A") or "",
        ELEMENT_KINDS[kind] if 0 < kind < len(ELEMENT_KINDS) else "unknown",
        node.whole("E") or 0,
        node.get("D") or "",
        _parents(node, by_number),
        MappingProxyType({value.identifier: value for value in own if value.triggers is not None}),
        MappingProxyType({value.identifier: value for value in own if value.raw is not None}),
    )


def _parents(node: Node, by_number: Mapping[int | None, Node]) -> tuple[str, ...]:
    """Elements above, nearest first; a loop of parents, met in real files, ends the climb."""
    seen = [node]
    while (above := by_number.get(seen[-1].whole("F"))) is not None and all(above is not s for s in seen):
        seen.append(above)
    return tuple(above.get("A") or "" for above in seen[1:])


def _presentation(node: Node) -> Presentation | None:
    offset, scale = node.whole("B") or 0, node.number("C")
    if scale is None or not 1e-9 <= scale <= 1e8:
        return None
    return Presentation(offset, scale, (node.get("E") or "").strip())


def _task(node: Node) -> Task:
    logs: dict[str, LogReference] = {}
    for reference in node.named("TLG"):
        stem = _stem(reference)
        logs.setdefault(stem.upper(), LogReference(stem, reference.whole("B")))
    return Task(
        node.get("A") or "",
        node.get("B") or "",
        node.get("E"),
        node.whole("G"),
        tuple(logs.values()),
        tuple(_time_span(time) for time in node.named("TIM")),
        tuple(product for pan in node.named("PAN") if (product := pan.get("A"))),
        tuple(device for dan in node.named("DAN") if (device := dan.get("C"))),
        node.get("C"),
        node.get("D"),
        tuple(dict.fromkeys(w for w in (node.get("F"), *(wan.get("A") for wan in node.named("WAN"))) if w)),
        tuple(_allocations(node)),
    )


def _allocations(task: Node) -> Iterator[Allocation]:
    for allocated in task.named("PAN"):
        if product := allocated.get("A"):
            stamp = next(allocated.named("ASP"), None)
            times = (None, None) if stamp is None else (stamp.get("A"), stamp.get("B"))
            yield Allocation(product, *times)


def _time_span(node: Node) -> TimeSpan:
    totals = tuple(
        (identifier, value.get("C") or "", raw)
        for value in node.named("DLV")
        if (identifier := value.hexadecimal("A")) is not None and (raw := value.whole("B")) is not None
    )
    return TimeSpan(node.get("A"), node.get("B"), node.whole("D"), totals)


def _field(node: Node) -> Partfield:
    polygons = tuple(node.named("PLN"))
    code = node.get("B") or ""
    return Partfield(
        node.get("A") or "",
        node.get("C") or code,
        code,
        node.get("G"),
        polygons,
        node.get("E"),
        node.get("F"),
    )
