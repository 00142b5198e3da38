"""Identifiers, totals, crops and files of task data beside flow, loss and settings."""

from __future__ import annotations

import datetime as dt

import pytest
from builders import task_data_sets as sets
from chaffinch.pipelines.farm import Farm
from chaffinch.pipelines.ingest.task_data import read_task_data
from chaffinch.pipelines.parsed import Parsed

FARM = Farm(time_zone="UTC")


def logged(identifiers: list[int], rows: list[list[int]], farm: Farm = FARM, **more: bytes | None) -> Parsed:
    machine = sets.device((1, "machine", [(one, 1, "", "") for one in identifiers]))
    files = {
        "TASKDATA_XML": sets.task_file(devices=machine),
        "TLG00001_XML": sets.header(sets.values(*((one, 1) for one in identifiers))),
        "TLG00001_BIN": b"".join(sets.record(s, list(enumerate(row))) for s, row in enumerate(rows)),
    }
    return read_task_data(sets.members(**(files | more)), "set", farm)


def column(parsed: Parsed, name: str) -> list:
    assert parsed.readings is not None
    return parsed.readings[name].to_list()


def test_unloading_by_the_lowest_bits_of_240() -> None:
    """ISO 11783-11, identifier 240: byte 1 unloading, byte 2 loading, unused bits 1, so the number is negative."""
    unused = -1 & ~0x303
    states = [unused | 0x000, unused | 0x001, unused | 0x100, unused | 0x003]
    parsed = logged([240, 397], [[state, 1500] for state in states])
    assert column(parsed, "unloading") == [0.0, 1.0, 0.0, None]
    assert parsed.unmatched_columns == ()


def test_the_actual_header_height_where_no_set_one_is_logged() -> None:
    assert column(logged([62], [[180]] * 3), "header_height_mm") == [180.0] * 3
    both = logged([61, 62], [[200, 180]] * 3)
    assert column(both, "header_height_mm") == [200.0] * 3
    assert '"62/0/height of the element [mm]": "180"' in column(both, "other")[0]


def test_dry_matter_is_moisture() -> None:
    """86 % of dry matter leave 14 % of water: by definition."""
    parsed = logged([314], [[860_000]] * 3)
    assert column(parsed, "grain_moisture_pct") == pytest.approx([14.0] * 3)
    assert column(logged([314, 99], [[860_000, 150_000]] * 3), "grain_moisture_pct") == [15.0] * 3


def test_two_crops_in_one_task_by_their_stamps() -> None:
    products = '<PGP A="PGP-1" B="crops" C="2"/>' + "".join(
        f'<PDT A="PDT-{number}" B="{name}" C="PGP-1"/>' for number, name in ((1, "Wheat"), (2, "Barley"))
    )
    for zone, hours in (("", 0), ("Z", 2)):
        begun = dt.datetime(2026, 7, 21, 10) - dt.timedelta(hours=hours)
        changed = begun + dt.timedelta(seconds=30)
        stamps = "".join(
            f'<PAN A="{product}"><ASP A="{start.isoformat()}{zone}" D="4"/></PAN>'
            for product, start in (("PDT-1", begun), ("PDT-2", changed))
        )
        task = f'<TSK A="TSK-1" E="PFD-1" G="4"><TLG A="TLG00001" C="1"/>{stamps}</TSK>'
        parsed = read_task_data(
            sets.members(TASKDATA_XML=sets.task_file(tasks=task, more=products)),
            "set",
            Farm(time_zone="Europe/Berlin"),
        )
        assert column(parsed, "crop") == ["wheat"] * 30 + ["barley"] * 30


TOTALS = (
    '<TIM A="2026-07-21T10:00:00" B="2026-07-21T12:00:00" D="4">'
    '<DLV A="005A" B="48000" C="DET-1"/><DLV A="0074" B="61000" C="DET-1"/></TIM>'
)


def test_a_finished_task_with_totals_and_no_log_is_no_plan() -> None:
    done = f'<TSK A="TSK-1" B="Mill Field wheat" G="4">{TOTALS}</TSK>'
    files = sets.members(TASKDATA_XML=sets.task_file(tasks=done), TLG00001_XML=None, TLG00001_BIN=None)
    parsed = read_task_data(files, "set", FARM)
    (asked,) = parsed.attention
    assert "the work is done, but only its totals were kept" in asked and "plan" not in asked
    (shown,) = [note for note in parsed.notes if "Mill Field wheat" in note]
    assert "48,000 kg" in shown and "61,000 m2" in shown


@pytest.mark.parametrize(
    ("name", "identifiers", "kind"),
    [
        ("A00C840000000001", [2, 1], "sprayer"),
        ("A00E840000000001", [2, 1], "machine that spreads, sows or sprays"),
        ("A00C840000000001", [87, 397], None),
        ("A00E840000000001", [397], None),
    ],
)
def test_a_machine_that_is_no_combine(name: str, identifiers: list[int], kind: str | None) -> None:
    """Class of the bus name by ISO 11783-1: 6 sprayers, 7 harvesters, which never proves a combine."""
    machine = sets.device((1, "machine", [(one, 1, "", "") for one in identifiers]))
    machine = machine.replace("A00E000000000001", name)
    parsed = logged(identifiers, [[1] * len(identifiers)] * 3, TASKDATA_XML=sets.task_file(devices=machine))
    said = [note for note in parsed.notes if "is not a combine but a" in note]
    assert parsed.readings is not None and len(parsed.readings) == 3
    assert (f"is not a combine but a {kind}, by" in said[0]) if kind else said == []


def test_grids_and_link_lists_get_their_sentence() -> None:
    parsed = read_task_data(
        {name: (lambda d=data: d) for name, data in {
            "TASKDATA.XML": sets.task_file(), "TLG00001.XML": sets.header(), "TLG00001.BIN": sets.log(),
            "GRD00001.BIN": b"\1\2", "LINKLIST.XML": b"<ISO11783LinkList/>",
        }.items()}, "set", FARM,
    )  # fmt: skip
    notes = " ".join(parsed.notes)
    assert "Not read: GRD00001.BIN (grids of a plan" in notes
    assert "Not read: LINKLIST.XML (names that other programs gave" in notes
