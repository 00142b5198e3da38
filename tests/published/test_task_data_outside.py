"""Held against an independent reader of the format: the open Python package ``isoxml`` 0.0.4.

It parses TASKDATA.XML into its own models (both versions of the public schema) and brings a copy of the
public data dictionary (ISO 11783-11, isobus.net export) that was made by others.
"""

from __future__ import annotations

import datetime as dt
import struct
import zipfile
from decimal import Decimal, InvalidOperation
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from builders import task_data_sets as sets
from builders.places import SAMPLE_DATA
from chaffinch.pipelines.ingest.task_data.files.dictionary import identifiers
from chaffinch.pipelines.ingest.task_data.files.safe_xml import Node, parse_xml
from chaffinch.pipelines.ingest.task_data.files.task_file import (
    ELEMENT_KINDS,
    linked_elements,
    read_task_file,
)
from chaffinch.pipelines.ingest.task_data.files.task_set import TaskSet
from chaffinch.pipelines.simulate.task_data.writer import write_task_data

isoxml_io = pytest.importorskip("isoxml.util.isoxml_io", reason="isoxml is a dependency of the tests only")

SAMPLE = SAMPLE_DATA / "inbox" / "combine_c" / "taskdata_2026-07.zip"
BOUNDARY = (
    "MULTIPOLYGON (((9 51, 9.004 51, 9.004 51.003, 9 51.003, 9 51), (9.001 51.001, 9.002 51.001, "
    "9.002 51.002, 9.001 51.002, 9.001 51.001)), ((9.01 51, 9.012 51, 9.012 51.001, 9.01 51)))"
)


def readings(machine: str, field: str, hour: int, count: int = 120) -> pl.DataFrame:
    start = dt.datetime(2026, 7, 20, hour, tzinfo=dt.UTC)
    step = np.arange(count)
    return pl.DataFrame(
        {
            "time": [start + dt.timedelta(seconds=int(second)) for second in step],
            "machine": machine,
            "field": field,
            "crop": "wheat",
            "latitude": 51.0 + step * 1e-5,
            "longitude": 9.0 + step * 1e-6,
            "speed_m_s": np.full(count, 1.6),
            "working": np.where(step < 100, 1, 0),
            "working_width_m": np.full(count, 9.0),
            "grain_flow_kg_s": 8 + np.sin(step),
            "grain_moisture_pct": np.full(count, 14.2),
            "separation_loss_signal": 20.0 + step,
            "fan_speed_rpm": np.where(step < 60, 900.0, 950.0),
        }
    )


# Everything that task data of version {version} may hold of a harvest, and some optional parts.
ROOT = (
    '<?xml version="1.0" encoding="UTF-8"?>\n<ISO11783_TaskData VersionMajor="{version}" VersionMinor="{minor}" '
    'ManagementSoftwareManufacturer="x" ManagementSoftwareVersion="1" TaskControllerManufacturer="y" '
    'TaskControllerVersion="2" DataTransferOrigin="2">{content}</ISO11783_TaskData>'
)
PARTIES = (
    '<CTR A="CTR-1" B="Last" C="First" D="Lane 1" F="12345" G="Town" M="a@b.example"/>'
    '<FRM A="FRM-1" B="Rook Hill" I="CTR-1"/><WKR A="WKR-1" B="Last" C="First"/><WKR A="WKR2" B="Other"/>'
)
CROPS = (
    '<CTP A="CTP-1" B="wheat"><CVT A="CVT-1" B="early"/></CTP><PGP A="PGP-1" B="crops"{kind}/>'
    '<PGP A="PGP-2" B="seed"/><PDT A="PDT-1" B="barley" C="PGP-1" E="005A"/><PDT A="PDT-2" B="seed 7" C="PGP-2"/>'
    '<VPN A="VPN-1" B="0" C="0.001" D="1" E="t"/><CPC A="CPC-1" B="harvest"/><CCG A="CCG-1" B="why"/>'
)
FIELDS = (
    '<PFD A="PFD-1" B="12" C="Mill &amp; Race" D="52000" E="CTR-1" F="FRM-1" G="CTP-1" H="CVT-1">'
    '<PLN A="1" C="52000"><LSG A="1">{ring}</LSG><LSG A="2">{hole}</LSG></PLN>'
    '<LSG A="3" B="tramline" C="500">{hole}</LSG><PNT A="1" B="stone" C="51.001" D="9.001" E="81000"/></PFD>'
    '<PFD A="PFD2" C="Long Acre" D="0" I="PFD-1"/>'
).format(
    ring="".join(
        f'<PNT A="2" C="{n}" D="{e}"/>' for n, e in ((51, 9), (51, 9.004), (51.003, 9.004), (51.003, 9))
    ),
    hole="".join(
        f'<PNT A="2" C="{n}" D="{e}"/>' for n, e in ((51.001, 9.001), (51.001, 9.002), (51.002, 9.002))
    ),
)
DEVICE = (
    '<DVC A="DVC-1" B="Third Combine" C="1.0" D="A00E000000000001" E="4711" F="0131" G="FF000000006E65">'
    '<DET A="DET-1" B="1" C="1" D="combine" E="0" F="0"><DOR A="10"/><DOR A="11"/><DOR A="20"/></DET>'
    '<DET A="DET-2" B="2" C="2" D="header" E="1" F="1"><DOR A="12"/><DOR A="21"/></DET>'
    '<DET A="DET-3" B="3" C="4" D="section" E="2" F="2"/><DET A="DET-4" B="4" C="7" D="antenna" E="3" F="1"/>'
    '<DPT A="20" B="00B3" C="8" D="kind of work"/><DPT A="21" B="0086" C="-3800" E="31"/>'
    '<DPD A="10" B="018D" C="1" D="9" E="speed" F="30"/><DPD A="11" B="005A" C="2" D="16" E="crop"/>'
    '<DPD A="12" B="0043" C="3" D="31"/>'
    '<DVP A="30" B="0" C="0.0036" D="1" E="km/h"/><DVP A="31" B="-10" C="0.001" D="2"/></DVC>'
)
TASK = (
    '<TSK A="TSK-1" B="harvest" C="CTR-1" D="FRM-1" E="PFD-1" F="WKR-1" G="4" H="1">'
    '<TZN A="1" B="all"><PDV A="0042" B="9000" D="DET-2"/></TZN>'
    '<TIM A="2026-07-21T10:00:00" B="2026-07-21T11:00:00" C="3600" D="4"><PTN A="51.001" B="9.001" D="1"/>'
    '<DLV A="005A" B="28800" C="DET-1"/><DLV A="0074" B="48600" C="DET-2"/></TIM><TIM A="2026-07-21T12:00:00" D="5"/>'
    '<OTP A="CPC-1"/><WAN A="WKR2"><ASP A="2026-07-21T10:00:00" D="4"/></WAN>'
    '<DAN A="A00E000000000001" C="DVC-1"/><CNN A="DVC-1" B="DET-1" C="DVC-1" D="DET-2"/>'
    '<PAN A="PDT-1" B="005A" C="28800" D="2" E="DET-1"/><DLT A="DFFF" B="31"/>'
    '<DLT A="018D" B="1" D="1000" H="DET-1"/>'
    '<TLG A="TLG00001" B="26" C="1"/></TSK><TSK A="TSK2" B="planned" E="PFD2" G="1"/>'
)
LOG = (
    bytes.fromhex("00512502 6b42")
    + struct.pack("<iiB", 510010000, 90010000, 1)
    + b"\2\0"
    + struct.pack("<iBi", 1500, 2, 9000)
)
LOG_HEADER = (
    '<TIM A="" D="4"><PTN A="" B="" D=""/><DLV A="018D" B="" C="DET-1"/><DLV A="005A" B="" C="DET-1"/>'
    '<DLV A="0043" B="" C="DET-2"/></TIM>'
)
LINKED = {"CTR": "", "FRM": "", "WKR": "", "PFD": FIELDS, "DVC": DEVICE, "TSK": TASK}


def whole_set(folder: Path, version: int, minor: int, linked: bool) -> Path:
    """Everything in one file, or fields, devices and tasks in linked files."""
    content = PARTIES + CROPS.format(kind=' C="2"' if version == 4 else "")
    for tag, part in LINKED.items():
        if not part:
            continue
        if linked:
            (folder / f"{tag}00001.XML").write_text(f"<XFC>{part}</XFC>", encoding="utf-8")
            content += f'<XFR A="{tag}00001" B="1"/>'
        else:
            content += part
    text = ROOT.format(version=version, minor=minor, content=content)
    (folder / "TASKDATA.XML").write_text(text, encoding="utf-8")
    (folder / "TLG00001.XML").write_text(LOG_HEADER, encoding="utf-8")
    (folder / "TLG00001.BIN").write_bytes(LOG)
    return folder


@pytest.fixture(
    scope="module",
    params=["written", "sample", "version 3", "version 3 linked", "version 4", "version 4 linked"],
)
def folder(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("task_data")
    if request.param == "written":
        tasks = [readings("Third Combine", "Mill & Race", 8), readings("Fourth <Combine>", 'Long "Acre"', 9)]
        write_task_data(out, tasks, boundaries={"Mill & Race": BOUNDARY}, zone="Europe/Berlin")
        return out
    if request.param == "sample":
        with zipfile.ZipFile(SAMPLE) as archive:
            archive.extractall(out)
        return out / "TASKDATA"
    version = int(request.param.split()[1])
    return whole_set(out, version, 3 if version == 3 else 2, request.param.endswith("linked"))


def both(folder: Path):  # type: ignore[no-untyped-def]
    theirs, files = isoxml_io.isoxml_from_path(folder)
    return theirs, files, read_task_file(TaskSet.of(sets.packed_file(folder).members), people=True)


def code(choice) -> int:  # type: ignore[no-untyped-def]
    """Number of a choice of theirs; some of their choices hold it in a tuple."""
    return int(choice.value[0] if isinstance(choice.value, tuple) else choice.value)


def named(thing, *names: str):  # type: ignore[no-untyped-def]
    """What their models of version 4 and version 3 call by these names."""
    return next(getattr(thing, name) for name in names if hasattr(thing, name))


def test_every_element_and_attribute_agrees(folder: Path) -> None:
    """The whole document, linked files taken in, as theirs writes it down again and as it is read here."""
    theirs, _, _ = both(folder)
    task_set = TaskSet.of(sets.packed_file(folder).members)
    own = parse_xml(task_set.read("TASKDATA.XML") or b"").root
    own.children = [*own.children, *linked_elements(own, task_set, [])]
    elements = same(own, parse_xml(isoxml_io.isoxml_to_text(theirs).encode()).root)
    assert elements > 30


def same(own: Node, their: Node) -> int:
    """Compare two elements with all below them; children of one name in their order. How many there were."""
    assert own.tag == their.tag
    assert plain(own) == plain(their), own.tag
    tags = {child.tag for child in (*own.children, *their.children)} - {"XFR"}
    count = 1
    for tag in sorted(tags):
        mine, others = list(own.named(tag)), list(their.named(tag))
        assert len(mine) == len(others), tag
        count += sum(same(one, other) for one, other in zip(mine, others, strict=True))
    return count


def plain(node: Node) -> dict[str, object]:
    """Attributes with numbers as numbers and moments as moments, for either may be written in several ways."""
    found: dict[str, object] = {}
    for name, text in node.attributes.items():
        try:
            found[name] = float(text) if len(text) < 12 else Decimal(text).normalize()
        except (ValueError, InvalidOperation):
            try:
                found[name] = dt.datetime.fromisoformat(text)
            except ValueError:
                found[name] = text.casefold()
    return found


def test_devices_agree(folder: Path) -> None:
    theirs, _, ours = both(folder)
    assert {
        d.id: (
            d.designator,
            named(d, "client_name", "working_set_master_name").hex().upper(),
            d.serial_number or "",
        )
        for d in theirs.devices
    } == {d.id: (d.designator, d.name, d.serial) for d in ours.devices.values()}
    for device in theirs.devices:
        shown = {shown.object_id: shown for shown in device.value_presentations}
        objects = {value.object_id: value for value in (*device.process_data, *device.properties)}
        by_number = {element.object_id: element for element in device.elements}
        for element in device.elements:
            own = ours.elements[element.id]
            assert (own.number, own.designator) == (int(element.number), element.designator)
            assert own.kind == ELEMENT_KINDS[code(element.type)]
            parents, above = [], by_number.get(element.parent_object_id)
            while above is not None:
                parents.append(above.id)
                above = by_number.get(above.parent_object_id)
            assert list(own.parents) == parents
            values = [objects[reference.device_object_id] for reference in element.device_object_references]
            wanted = {int.from_bytes(value.ddi, "big"): value for value in values}
            assert {**own.logged, **own.fixed}.keys() == wanted.keys()
            for number, value in wanted.items():
                mine = own.logged.get(number) or own.fixed[number]
                assert mine.designator == (value.designator or "")
                assert mine.raw == getattr(value, "value", None)
                if mine.raw is None:
                    assert mine.triggers == int(value.trigger_methods)
                other = shown.get(value.device_value_presentation_object_id)
                if other is None:
                    assert mine.presentation is None
                else:
                    assert mine.presentation is not None
                    assert mine.presentation.scale == pytest.approx(float(other.scale))
                    assert (mine.presentation.offset, mine.presentation.unit) == (
                        other.offset,
                        other.unit_designator or "",
                    )


def test_tasks_fields_products_and_people_agree(folder: Path) -> None:
    theirs, files, ours = both(folder)
    assert [
        (f.id, f.designator, f.code or "", f.crop_type_id_ref, f.customer_id_ref, f.farm_id_ref)
        for f in theirs.partfields
    ] == [(f.id, f.designator, f.code, f.crop, f.customer, f.farm) for f in ours.fields.values()]
    assert {p.id: p.designator for p in theirs.products} == dict(ours.products)
    assert {c.id: c.designator for c in theirs.crop_types} == dict(ours.crops)
    people = {
        p.id: " ".join(filter(None, (p.first_name, named(p, "last_name", "designator"))))
        for p in (*theirs.customers, *theirs.workers)
    }
    assert people | {f.id: f.designator for f in theirs.farms} == dict(ours.people)
    for task, own in zip(theirs.tasks, ours.tasks, strict=True):
        assert (task.id, task.designator, task.partfield_id_ref) == (own.id, own.designator, own.field)
        assert (task.customer_id_ref, task.farm_id_ref) == (own.customer, own.farm)
        assert code(task.status) == own.status
        assert [a.product_id_ref for a in task.product_allocations] == list(own.products)
        assert [a.device_id_ref for a in task.device_allocations] == list(own.devices)
        workers = [task.responsible_worker_id_ref, *(a.worker_id_ref for a in task.worker_allocations)]
        assert [worker for worker in workers if worker] == list(own.workers)
        assert [(log.filename, log.filelength) for log in task.time_logs] == [
            (log.stem, log.declared_bytes) for log in own.logs
        ]
        assert all(len(files[log.filename]) == log.filelength for log in task.time_logs)
        for time, span in zip(task.times, own.times, strict=True):
            assert code(time.type) == span.kind
            for moment, text in ((time.start, span.start), (time.stop, span.stop)):
                written = None if text is None else dt.datetime.fromisoformat(text)
                assert (None if moment is None else moment.to_datetime()) == written
            assert [
                (int.from_bytes(v.process_data_ddi, "big"), v.device_element_id_ref, v.process_data_value)
                for v in time.data_log_values
            ] == list(span.totals)


def test_boundaries_agree(folder: Path) -> None:
    import shapely

    theirs, _, _ = both(folder)
    parsed = sets.read_packed(folder)
    assert parsed.fields is not None
    bounded = [partfield for partfield in theirs.partfields if partfield.polygons]
    assert len(bounded) == len(parsed.fields)
    for partfield, text in zip(bounded, parsed.fields["boundary_wkt"], strict=True):
        rings: dict[str, list[shapely.Polygon]] = {"1": [], "2": []}
        for polygon in partfield.polygons:
            for line in polygon.line_strings:
                points = [(float(point.east), float(point.north)) for point in line.points]
                rings[str(code(line.type))].append(shapely.Polygon(points))
        area = shapely.difference(shapely.union_all(rings["1"]), shapely.union_all(rings["2"]))
        assert shapely.from_wkt(text).symmetric_difference(area).area < 1e-12


def test_the_written_boundary_comes_back(tmp_path: Path) -> None:
    import shapely

    write_task_data(tmp_path, [readings("A", "Mill & Race", 8)], boundaries={"Mill & Race": BOUNDARY})
    parsed = sets.read_packed(tmp_path)
    assert parsed.fields is not None
    ours = shapely.from_wkt(parsed.fields["boundary_wkt"][0])
    assert ours.symmetric_difference(shapely.from_wkt(BOUNDARY)).area < 1e-12


def test_every_resolution_agrees_with_the_copy_of_others() -> None:
    entities = pytest.importorskip("isoxml.models.ddi_entities")
    compared = 0
    for number, entry in identifiers().items():
        try:
            entity = entities.DDEntity.from_id(number)
        except KeyError:
            continue  # younger than their copy
        assert float(entry.resolution) == pytest.approx(entity.bit_resolution), (number, entry.label)
        unit = entity.unit.replace("²", "2").replace("³", "3").replace("°", "deg").replace("#", "")
        unit = {"n.a.": "", "not defined": "", "0.00%": "%"}.get(unit, unit)
        assert entry.unit == unit, (number, entry.label)
        compared += 1
    assert compared > 320


@pytest.mark.parametrize(
    ("number", "kind", "unit", "resolution"),
    [
        # ISO 11783-11 online data base (isobus.net), text export stamped 2025-01-21.
        (67, "actual", "mm", "1"),
        (84, "actual", "mg/m2", "1"),
        (87, "actual", "mg/s", "1"),
        (90, "total", "kg", "1"),
        (96, "actual", "mg/s", "1"),
        (99, "actual", "ppm", "1"),
        (116, "total", "m2", "1"),
        (141, "state", "", "1"),
        (145, "actual", "deg", "1/1000"),
        (149, "actual", "mm3/s", "1"),
        (250, "setpoint", "mm", "1"),
        (255, "actual", "/s", "1/1000"),
        (397, "actual", "mm/s", "1"),
        (484, "actual", "r/min", "1/10000"),
        (502, "actual", "%", "1/1000"),
        (45060, "actual", "mg/s", "1"),
    ],
)
def test_published_identifiers(number: int, kind: str, unit: str, resolution: str) -> None:
    from fractions import Fraction

    entry = identifiers()[number]
    assert (entry.kind, entry.unit, entry.resolution) == (kind, unit, Fraction(resolution))
