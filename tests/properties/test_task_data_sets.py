"""Whole task sets with their XML or binaries spoiled at random: read or refused, never another exception."""

from __future__ import annotations

import re
import time

import pytest
from builders import environment
from builders import task_data_sets as sets
from chaffinch.pipelines.errors import UnreadableFile
from chaffinch.pipelines.farm import Farm
from chaffinch.pipelines.ingest.task_data import read_task_data
from chaffinch.pipelines.parsed import Parsed, rows_aside
from chaffinch.schemas.tables import tables
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

FIELDS = (
    '<PFD A="PFD-1" C="Mill Field" D="0" G="CTP-1"><PLN A="1"><LSG A="1"><PNT A="2" C="51.9" D="6.9"/>'
    '<PNT A="2" C="51.9" D="7.1"/><PNT A="2" C="52.1" D="7.1"/></LSG></PLN></PFD><CTP A="CTP-1" B="wheat"/>'
)
TASKS = (
    '<TSK A="TSK-1" B="x" E="PFD-1" G="4"><TIM A="2026-07-21T10:00:00Z" D="4"><DLV A="0074" B="9" C="DET-1"/>'
    '</TIM><PAN A="PDT-1"/><DAN A="0" C="DVC-1"/><TLG A="TLG00001" B="9" C="1"/></TSK>'
)
SOUND = {
    "TASKDATA.XML": sets.task_file(tasks=TASKS, more=FIELDS),
    "TLG00001.XML": sets.header(position='<PTN A="" B="" D="" H="" I=""/>'),
    "TLG00001.BIN": sets.log(20),
}
ODD = [
    "",
    "-1",
    "0",
    "1",
    "FFFF",
    "99999999999999999999",
    "1e400",
    "nan",
    "\u0661",
    "DET-1",
    "x" * 3000,
    "&lt;",
    "2",
]


def taken_whole(files: dict[str, bytes]) -> None:
    """Read or refused with a sentence; what is read keeps the contracts and accounts for every row."""
    try:
        parsed = read_task_data({name: (lambda d=data: d) for name, data in files.items()}, "set", Farm())
    except UnreadableFile as refusal:
        assert refusal.reason.endswith(".")
        return
    assert isinstance(parsed, Parsed)
    rows: list[int] = []
    for name in ("readings", "fields", "set_aside"):
        frame = getattr(parsed, name)
        if frame is not None:
            tables()[name].conform(frame)
            whole = rows_aside(frame) if name == "set_aside" else frame["row"]
            rows += whole.unique().to_list()
    assert len(rows) == len(set(rows)) == parsed.rows_read


@st.composite
def sets_with_odd_attributes(draw: st.DrawFn) -> dict[str, bytes]:
    """The sound set with some attribute values replaced, attributes taken out or elements doubled."""
    files = dict(SOUND)
    for _ in range(draw(st.integers(1, 4))):
        name = draw(st.sampled_from(("TASKDATA.XML", "TLG00001.XML")))
        text = files[name].decode()
        found = list(re.finditer(r' [A-Z]="[^"]*"', text))
        at = draw(st.sampled_from(found))
        kind = draw(st.sampled_from(("replace", "remove", "empty")))
        odd = "" if kind == "empty" else draw(st.sampled_from(ODD))
        new = "" if kind == "remove" else f'{at[0][:4]}{odd}"'
        files[name] = (text[: at.start()] + new + text[at.end() :]).encode()
    return files


@pytest.mark.seconds
@given(sets_with_odd_attributes())
@settings(deadline=None, max_examples=50, suppress_health_check=list(HealthCheck))
def test_odd_attributes(files: dict[str, bytes]) -> None:
    taken_whole(files)


@st.composite
def sets_with_spoilt_bytes(draw: st.DrawFn) -> dict[str, bytes]:
    files = dict(SOUND)
    for _ in range(draw(st.integers(1, 3))):
        name = draw(st.sampled_from(sorted(files)))
        data = files[name]
        at = draw(st.integers(0, len(data)))
        piece = draw(
            st.one_of(st.binary(max_size=30), st.sampled_from((b"<", b">", b'"', b"<TIM", b"&", b"</")))
        )
        cut = draw(st.integers(0, 30))
        files[name] = data[:at] + piece + data[at + cut :]
    if draw(st.booleans()):
        del files[draw(st.sampled_from(sorted(files)))]
    return files


@pytest.mark.seconds
@given(sets_with_spoilt_bytes())
@settings(deadline=None, max_examples=50, suppress_health_check=list(HealthCheck))
def test_spoilt_bytes(files: dict[str, bytes]) -> None:
    taken_whole(files)


@pytest.mark.faults
def test_spoilt_sets_are_taken_whole_for_long() -> None:
    until = time.monotonic() + environment.number("CHAFFINCH_FUZZ_SECONDS")
    cases = 0

    @given(st.one_of(sets_with_spoilt_bytes(), sets_with_odd_attributes()))
    @settings(deadline=None, max_examples=300, database=None, suppress_health_check=list(HealthCheck))
    def once(files: dict[str, bytes]) -> None:
        nonlocal cases
        taken_whole(files)
        cases += 1

    while time.monotonic() < until:
        once()
    print(f"{cases:,} spoilt sets")
    assert cases > 0


@given(st.permutations(list(range(3))), st.lists(st.sampled_from(["TSK", "DVC", "PFD"]), max_size=3))
@settings(deadline=None, max_examples=20)
def test_the_order_of_elements_does_not_matter(order: list[int], doubled: list[str]) -> None:
    """Tasks may stand before the devices and fields they name; linked copies of an element change nothing."""
    parts = [FIELDS, sets.DEVICE, TASKS]
    again = "".join({"TSK": TASKS, "DVC": sets.DEVICE, "PFD": FIELDS}[tag] for tag in doubled)
    text = "".join(parts[i] for i in order) + again
    files = {
        "TASKDATA.XML": f"<ISO11783_TaskData>{text}</ISO11783_TaskData>".encode(),
        "TLG00001.XML": sets.header(),
        "TLG00001.BIN": sets.log(20),
    }
    parsed = read_task_data({name: (lambda d=data: d) for name, data in files.items()}, "set", Farm())
    assert parsed.readings is not None and len(parsed.readings) == 20
    assert parsed.readings["machine"].unique().to_list() == ["Third Combine"]
    assert parsed.readings["field"].unique().to_list() == ["Mill Field"]
    assert parsed.readings["crop"].unique().to_list() == ["wheat"]
