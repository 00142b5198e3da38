"""Held against an independent reader of the format: the open Python package ``isoxml`` 0.0.4.

It parses TASKDATA.XML into its own models (both versions of the public schema) and brings a copy of the
public data dictionary (ISO 11783-11, isobus.net export) that was made by others.
"""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from chaffinch.pipelines.task_data import read_folder
from chaffinch.pipelines.task_data.container import folder_members, task_sets
from chaffinch.pipelines.task_data.dictionary import identifiers
from chaffinch.pipelines.task_data.task_file import ELEMENT_KINDS, read_task_file
from chaffinch.pipelines.task_data.writer import write_task_data

isoxml_io = pytest.importorskip("isoxml.util.isoxml_io", reason="isoxml is a dependency of the tests only")

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


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("task_data")
    tasks = [readings("Third Combine", "Mill & Race", 8), readings("Fourth <Combine>", 'Long "Acre"', 9)]
    write_task_data(out, tasks, boundaries={"Mill & Race": BOUNDARY}, zone="Europe/Berlin")
    return out


def test_devices_agree(folder: Path) -> None:
    theirs, _ = isoxml_io.isoxml_from_path(folder)
    ours = read_task_file(task_sets(folder_members(folder))[0])
    assert {device.id: device.designator for device in theirs.devices} == {
        device.id: device.designator for device in ours.devices.values()
    }
    for device in theirs.devices:
        shown = {shown.object_id: shown for shown in device.value_presentations}
        values = {value.object_id: value for value in device.process_data}
        assert ours.devices[device.id].name == device.client_name.hex().upper()
        for element in device.elements:
            own = ours.elements[element.id]
            assert (own.number, own.designator) == (int(element.number), element.designator)
            assert own.kind == ELEMENT_KINDS[int(element.type.value)]
            wanted = {}
            for reference in element.device_object_references:
                value = values[reference.device_object_id]
                wanted[int.from_bytes(value.ddi, "big")] = value
            assert set(own.logged) == set(wanted)
            for number, value in wanted.items():
                assert own.logged[number].designator == value.designator
                assert own.logged[number].triggers == int(value.trigger_methods)
                presentation = own.logged[number].presentation
                if value.device_value_presentation_object_id is None:
                    assert presentation is None
                else:
                    other = shown[value.device_value_presentation_object_id]
                    assert presentation is not None
                    assert presentation.scale == pytest.approx(float(other.scale))
                    assert (presentation.offset, presentation.unit) == (
                        other.offset,
                        other.unit_designator or "",
                    )


def test_tasks_fields_and_products_agree(folder: Path) -> None:
    theirs, files = isoxml_io.isoxml_from_path(folder)
    ours = read_task_file(task_sets(folder_members(folder))[0])
    assert [(f.id, f.designator) for f in theirs.partfields] == [
        (f.id, f.designator) for f in ours.fields.values()
    ]
    assert {p.id: p.designator for p in theirs.products} == dict(ours.products)
    for task, own in zip(theirs.tasks, ours.tasks, strict=True):
        assert (task.id, task.designator, task.partfield_id_ref) == (own.id, own.designator, own.field)
        assert int(task.status.value) == own.status
        assert [a.product_id_ref for a in task.product_allocations] == list(own.products)
        assert [a.device_id_ref for a in task.device_allocations] == list(own.devices)
        assert [log.filename for log in task.time_logs] == [log.stem for log in own.logs]
        for log in task.time_logs:
            assert len(files[log.filename]) == log.filelength
        totals = [
            (
                int.from_bytes(value.process_data_ddi, "big"),
                value.device_element_id_ref,
                value.process_data_value,
            )
            for time in task.times
            for value in time.data_log_values
        ]
        assert totals == [total for span in own.times for total in span.totals]


def test_boundaries_agree(folder: Path) -> None:
    import shapely

    theirs, _ = isoxml_io.isoxml_from_path(folder)
    partfield = next(f for f in theirs.partfields if f.polygons)
    rings: dict[str, list[shapely.Polygon]] = {"1": [], "2": []}
    for polygon in partfield.polygons:
        for line in polygon.line_strings:
            points = [(float(point.east), float(point.north)) for point in line.points]
            rings[line.type.value].append(shapely.Polygon(points))
    area = shapely.difference(shapely.union_all(rings["1"]), shapely.union_all(rings["2"]))
    parsed = read_folder(folder)
    assert parsed.fields is not None
    ours = shapely.from_wkt(parsed.fields["boundary_wkt"][0])
    assert ours.symmetric_difference(area).area < 1e-12
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
