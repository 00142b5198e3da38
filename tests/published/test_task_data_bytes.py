"""Time logs assembled by hand, byte by byte, from the layout of ISO 11783-10.

Layout of a record (ISO 11783-10:2015, binary time log, type 1; element letters as in the standard's public
schema ISO11783_TimeLog_V4-3.xsd): time of day uint32 [ms], date uint16 [days since 1980-01-01], position
north and east int32 [1e-7 deg], up int32 [mm], status uint8, PDOP and HDOP uint16 [0.1], satellites uint8,
satellite UTC time uint32 [ms] and date uint16, count of values uint8, then index uint8 and value int32 each;
little-endian, no padding.
"""

from __future__ import annotations

from datetime import datetime

import numpy as np
import polars as pl
import pytest
from chaffinch.pipelines.farm import Farm
from chaffinch.pipelines.ingest.task_data import read_task_data
from chaffinch.pipelines.ingest.task_data.files.safe_xml import parse_xml
from chaffinch.pipelines.ingest.task_data.records.log_binary import decode_log
from chaffinch.pipelines.ingest.task_data.records.log_header import read_header

HEADER = b"""<TIM A="" D="4"><PTN A="" B="" C="" D="" E="" F="" G="" H="" I=""/>
<DLV A="018D" B="" C="DET-1"/><DLV A="0057" B="" C="DET-2"/><DLV A="0063" B="" C="DET-2"/></TIM>"""

FULL_RECORD = bytes.fromhex(
    "00973d03"  # time of day 54,368,000 ms = 15:06:08.000
    "222e"  # date, day 11,810 = 2012-05-02
    "00d1ff1e"  # north 520,081,664 = 52.0081664 deg
    "807a2c04"  # east 70,023,808 = 7.0023808 deg
    "20a10700"  # up 500,000 mm = 500 m
    "04"  # status 4, RTK fixed
    "0800"  # PDOP 0.8
    "0600"  # HDOP 0.6
    "10"  # 16 satellites
    "0028cf02"  # satellite time 47,130,624 ms = 13:05:30.624
    "222e"  # satellite date, the same day
    "03"  # three values
    "02"
    "e0220200"  # index 2: 140,000 ppm moisture
    "00"
    "dc050000"  # index 0: 1500 mm/s
    "01"
    "00127a00"  # index 1: 8,000,000 mg/s
)


def test_a_record_with_every_field() -> None:
    header = read_header(parse_xml(HEADER).root)
    assert header.fixed_type.itemsize == 30
    assert len(FULL_RECORD) == 30 + 1 + 3 * 5
    read = decode_log(FULL_RECORD, header)
    assert read.faults == ()
    record = read.fixed[0]
    assert record["time"] == 54_368_000
    assert np.datetime64("1980-01-01") + int(record["date"]) == np.datetime64("2012-05-02")
    assert (record["north"], record["east"], record["up"]) == (520_081_664, 70_023_808, 500_000)
    assert (record["status"], record["pdop"], record["hdop"], record["satellites"]) == (4, 8, 6, 16)
    assert (record["gps_time"], record["gps_date"]) == (47_130_624, 11_810)
    assert [raw.tolist() for _, raw in read.columns] == [[1500], [8_000_000], [140_000]]


@pytest.mark.parametrize(
    ("header", "layout"),
    [
        # Verified on public logs: a constant status takes no byte, so 29 instead of 30 fixed bytes.
        (b'<TIM A="" D="4"><PTN A="" B="" C="" D="1" E="" F="" G="" H="" I=""/></TIM>', 29),
        (b'<TIM A="" D="4"><PTN A="" B="" D=""/></TIM>', 15),
        (b'<TIM A="" D="4"><PTN A="" B=""/></TIM>', 14),
        (b'<TIM A="" D="4"><PTN A="" B="" C="" D="" H=""/></TIM>', 23),
        (b'<TIM A="" D="4"/>', 6),
        (b'<TIM A="2026-07-20T10:00:00" D="4"><PTN A="" B=""/></TIM>', 8),
    ],
)
def test_bytes_of_the_fixed_part(header: bytes, layout: int) -> None:
    assert read_header(parse_xml(header).root).fixed_type.itemsize == layout


def test_three_states_of_a_field() -> None:
    """Absent: not known; empty: in each record; filled: for every record and no bytes (ISO 11783-10)."""
    header = read_header(parse_xml(b'<TIM A="" D="4"><PTN A="52.5" B="" E="1.2"/></TIM>').root)
    assert header.fields == ("time", "date", "east")
    assert header.constants == {"north": 52.5, "pdop": 1.2}


TASK = b"""<?xml version="1.0"?><ISO11783_TaskData VersionMajor="3" VersionMinor="3" DataTransferOrigin="2">
<PFD A="PFD1" C="Mill Field" D="0"/>
<DVC A="DVC-1" B="Third Combine" D="A00E000000000001" F="01" G="FF000000000000">
<DET A="DET-1" B="1" C="1" D="machine" E="0" F="0"><DOR A="10"/></DET>
<DET A="DET-2" B="2" C="3" D="grain tank" E="1" F="1"><DOR A="11"/><DOR A="12"/></DET>
<DPD A="10" B="018D" C="1" D="1" E="speed" F="20"/>
<DPD A="11" B="0057" C="1" D="1" E="throughput" F="21"/>
<DPD A="12" B="0063" C="1" D="1" E="moisture" F="22"/>
<DVP A="20" B="0" C="0.0036000001" D="1" E="km/h"/>
<DVP A="21" B="0" C="0.0000036000" D="1" E="t/h"/>
<DVP A="22" B="0" C="0.0001" D="1" E="Prozent"/>
</DVC>
<TSK A="TSK1" B="wheat" E="PFD1" G="4"><TLG A="TLG00001" B="46" C="1"/></TSK></ISO11783_TaskData>"""


def test_the_record_as_a_reading() -> None:
    """By ISO 11783-11: 397 is mm/s, 87 is mg/s, 99 is ppm, whatever the device shows on its screen."""
    members = {
        "TASKDATA.XML": lambda: TASK,
        "TLG00001.XML": lambda: HEADER,
        "TLG00001.BIN": lambda: FULL_RECORD,
    }
    parsed = read_task_data(members, "set", Farm(time_zone="Europe/Berlin"))
    assert parsed.readings is not None
    row = parsed.readings.row(0, named=True)
    # 15:06:08 on the clock of Berlin in May is two hours ahead of UTC.
    assert row["time"].replace(tzinfo=None) == datetime(2012, 5, 2, 13, 6, 8)
    assert (row["machine"], row["field"]) == ("Third Combine", "Mill Field")
    assert (row["latitude"], row["longitude"], row["altitude_m"]) == pytest.approx(
        (52.0081664, 7.0023808, 500.0)
    )
    assert row["speed_m_s"] == 1.5
    assert row["grain_flow_kg_s"] == 8.0
    assert row["grain_moisture_pct"] == 14.0
    assert parsed.rows_read == 1
    assert isinstance(parsed.readings, pl.DataFrame)
