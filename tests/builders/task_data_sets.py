"""Small task sets made in memory, for the tests of the reader."""

from __future__ import annotations

import struct
from collections.abc import Callable, Sequence
from pathlib import Path

from chaffinch.pipelines.farm import Farm
from chaffinch.pipelines.ingest import read
from chaffinch.pipelines.ingest.inbox.discover import single_file
from chaffinch.pipelines.ingest.inbox.inbox_file import InboxFile
from chaffinch.pipelines.parsed import Parsed

DEVICE = """<DVC A="DVC-1" B="Third Combine" D="A00E000000000001" E="4711" F="01" G="FF000000000000">
<DET A="DET-1" B="1" C="1" D="machine" E="0" F="0"><DOR A="10"/><DOR A="11"/></DET>
<DET A="DET-2" B="2" C="2" D="header" E="1" F="1"><DOR A="12"/></DET>
<DET A="DET-3" B="3" C="2" D="rotor" E="2" F="1"><DOR A="13"/></DET>
<DPD A="10" B="018D" C="1" D="1" E="speed"/><DPD A="11" B="008D" C="1" D="8" E="state"/>
<DPD A="12" B="0043" C="1" D="8" E="width"/><DPD A="13" B="0060" C="1" D="1" E="loss"/>
</DVC>"""
VALUES = '<DLV A="018D" B="" C="DET-1"/><DLV A="008D" B="" C="DET-1"/><DLV A="0043" B="" C="DET-2"/>'
POSITION = '<PTN A="" B="" D=""/>'
DAY = 17_003  # 2026-07-21 in days since 1980-01-01
START_MS = 10 * 3_600_000


def header(values: str = VALUES, position: str = POSITION) -> bytes:
    return f'<TIM A="" D="4">{position}{values}</TIM>'.encode()


def record(
    second: float,
    values: Sequence[tuple[int, int]] = (),
    place: tuple[float, float] = (52.0, 7.0),
    day: int = DAY,
    status: int = 1,
) -> bytes:
    """One record under ``POSITION``; ``second`` counts from 10 o'clock."""
    head = struct.pack(
        "<IHiiB",
        START_MS + round(1000 * second),
        day,
        round(place[0] * 1e7),
        round(place[1] * 1e7),
        status,
    )
    return head + bytes([len(values)]) + b"".join(struct.pack("<Bi", index, raw) for index, raw in values)


def log(records: int = 60, moving_mm_s: int = 1500) -> bytes:
    """One record a second: speed in each, work state and width in the first."""
    first = record(0, [(0, moving_mm_s), (1, 1), (2, 9000)])
    return first + b"".join(record(second, [(0, moving_mm_s)]) for second in range(1, records))


def task_file(
    devices: str = DEVICE,
    tasks: str = '<TSK A="TSK-1" B="wheat" E="PFD-1" G="4"><TLG A="TLG00001" C="1"/></TSK>',
    more: str = '<PFD A="PFD-1" C="Mill Field" D="0"/>',
) -> bytes:
    return (
        '<?xml version="1.0" encoding="UTF-8"?><ISO11783_TaskData VersionMajor="3" VersionMinor="3" '
        f'DataTransferOrigin="2">{more}{devices}{tasks}</ISO11783_TaskData>'
    ).encode()


def members(**changes: bytes | None) -> dict[str, Callable[[], bytes]]:
    """A sound set; a keyword such as ``TLG00001_BIN`` replaces that file, None takes it out."""
    files: dict[str, bytes | None] = {
        "TASKDATA.XML": task_file(),
        "TLG00001.XML": header(),
        "TLG00001.BIN": log(),
    }
    files |= {name.replace("_", ".", 1): content for name, content in changes.items()}
    return {name: (lambda content=content: content) for name, content in files.items() if content is not None}


def device(*elements: tuple[int, str, list[tuple[int, int, str, str]]], shown: str = "") -> str:
    """A device; each element: kind, designator, and its (identifier, triggers, designator, presentation)."""
    texts, values = [], []
    for number, (kind, name, own) in enumerate(elements):
        references = ""
        for identifier, triggers, designator, presentation in own:
            place = 100 + len(values)
            shown_by = f' F="{presentation}"' if presentation else ""
            values.append(
                f'<DPD A="{place}" B="{identifier:04X}" C="1" D="{triggers}" E="{designator}"{shown_by}/>'
            )
            references += f'<DOR A="{place}"/>'
        parent = 0 if number == 0 else 1
        texts.append(
            f'<DET A="DET-{number + 1}" B="{number + 1}" C="{kind}" D="{name}" E="{number}" F="{parent}">'
            f"{references}</DET>"
        )
    head = '<DVC A="DVC-1" B="Third Combine" D="A00E000000000001" F="01" G="FF000000000000">'
    return head + "".join(texts) + "".join(values) + shown + "</DVC>"


def values(*listed: tuple[int, int]) -> str:
    return "".join(f'<DLV A="{identifier:04X}" B="" C="DET-{element}"/>' for identifier, element in listed)


def packed_file(place: Path) -> InboxFile:
    """The one set of task data in a folder or zip, as a night finds it."""
    (found,) = single_file(place)
    return found


def read_packed(place: Path, farm: Farm | None = None) -> Parsed:
    """The set of task data in a folder or zip, read as a night reads it."""
    return read(packed_file(place), farm or Farm(), [])
