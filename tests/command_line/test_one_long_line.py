"""A file that is one endless line is refused with a sentence, and never held in memory."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from builders import environment
from chaffinch.pipelines.lake import Lake

LINE_MB = environment.number("CHAFFINCH_LINE_MB")
HEADER = "time,machine,field,speed_m_s,grain_flow_kg_s\n"
ROW = "2026-07-20T08:00:0{},Combine A,Mill Field,1.5,9.5\n"
# What may be held of a line before it is known to be none (16 MB), in a handful of copies.
MOST_MORE_MIB = 100


def ingest(folder: Path, command: str, *call: str) -> tuple[int, str, float]:
    """Exit code, standard output and peak of resident memory in MiB of a command of its own process."""
    code = "from chaffinch.pipelines.command_line import main; main()"
    out = folder / f"{command}.out"
    with out.open("w") as stream:
        process = subprocess.Popen([sys.executable, "-c", code, command, *call], stdout=stream)
        _, status, usage = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
    return (
        process.returncode,
        out.read_text(),
        usage.ru_maxrss / (2**20 if sys.platform == "darwin" else 2**10),
    )


def rows() -> str:
    return "".join(ROW.format(i) for i in range(10))


@pytest.fixture(scope="module")
def usual_mib(tmp_path_factory: pytest.TempPathFactory) -> float:
    """Peak of memory over an inbox of one small log."""
    folder = tmp_path_factory.mktemp("usual")
    (folder / "inbox").mkdir()
    (folder / "inbox" / "day.csv").write_text(HEADER + rows())
    code, _, peak = ingest(folder, "ingest", str(folder / "inbox"), "--lake", str(folder / "lake"))
    assert code == 0
    return peak


@pytest.mark.faults
@pytest.mark.parametrize("start", ["", HEADER, HEADER + '2026-07-20T08:00:00Z,"', HEADER + rows()])
def test_a_line_without_an_end(start: str, tmp_path: Path, usual_mib: float) -> None:
    inbox, lake = tmp_path / "inbox", tmp_path / "lake"
    inbox.mkdir()
    (inbox / "day.csv").write_text(HEADER + rows())
    with (inbox / "line.csv").open("w") as stream:
        stream.write(start)
        for _ in range(LINE_MB):
            stream.write("1.5,9.50;" * 116_509)
    code, out, peak_mib = ingest(tmp_path, "ingest", str(inbox), "--lake", str(lake), "--json")
    assert code == 1
    assert {one["name"]: one["status"] for one in json.loads(out)["new"]}["line.csv"] == "could not be read"
    assert peak_mib < usual_mib + MOST_MORE_MIB
    # The log next to it is ingested as usual.
    opened = Lake.open(lake)
    reasons = dict(opened.ledger().select("name", "reason").iter_rows())
    assert reasons == {"day.csv": None, "line.csv": "A line is longer than 16 MB; no log has such lines."}
    assert opened.scan("readings").collect().height == 10 and opened.check() == []

    code, out, peak_mib = ingest(tmp_path, "inspect", str(inbox / "line.csv"))
    assert code == 1 and "A line is longer than 16 MB" in out
    assert peak_mib < usual_mib + MOST_MORE_MIB
