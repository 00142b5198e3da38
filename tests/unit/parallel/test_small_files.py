"""Many small files are read in processes, large ones and a few small ones here; both give the same."""

from __future__ import annotations

import pickle
from operator import attrgetter
from pathlib import Path

import pytest
from chaffinch.pipelines.ingest.inbox.discover import find_files
from chaffinch.pipelines.ingest.inbox.inbox_file import InboxFile, from_bytes
from chaffinch.pipelines.parallel import processes
from chaffinch.pipelines.parallel.fan_out import one_by_one, side_by_side
from chaffinch.pipelines.parallel.small_files import FEWEST_SMALL, SMALL_BYTES, small_files_in_processes

SMALL = [InboxFile(f"{number}.csv", 1000, str(number)) for number in range(FEWEST_SMALL)]
LARGE = InboxFile("large.csv", SMALL_BYTES + 1, "large")
name_of = attrgetter("name")


@pytest.mark.seconds
def test_small_files_go_to_processes_and_large_ones_stay(monkeypatch):
    monkeypatch.setattr(processes, "processors", lambda: 2)
    with small_files_in_processes(name_of, [*SMALL, LARGE], side_by_side) as read:
        assert [read(file) for file in (SMALL[0], LARGE, SMALL[-1])] == ["0.csv", "large.csv", "255.csv"]
        # Where the work is handed to another machine, it is done there in one process.
        assert pickle.loads(pickle.dumps(read))(SMALL[3]) == "3.csv"
        assert read.here is name_of and read.elsewhere is not name_of


@pytest.mark.parametrize(("files", "each"), [(SMALL[1:], side_by_side), ([*SMALL, LARGE], one_by_one)])
def test_a_few_small_files_are_read_here(files, each):
    with small_files_in_processes(name_of, files, each) as read:
        seen = {read(file) for file in files}
        assert seen == {file.name for file in files}
        assert getattr(read, "elsewhere", read) is name_of


def test_a_file_can_be_opened_in_another_process(tmp_path: Path):
    import gzip
    import zipfile

    (tmp_path / "a.csv").write_bytes(b"plain")
    (tmp_path / "b.csv.gz").write_bytes(gzip.compress(b"packed"))
    with zipfile.ZipFile(tmp_path / "c.zip", "w") as archive:
        archive.writestr("d.csv", b"member")
        archive.writestr("e.csv.gz", gzip.compress(b"packed member"))
    found = [pickle.loads(pickle.dumps(file)) for file in find_files(tmp_path)]
    assert [file.read_bytes() for file in found] == [b"plain", b"packed", b"member", b"packed member"]
    assert pickle.loads(pickle.dumps(from_bytes("f.csv", b"in memory"))).read_bytes() == b"in memory"
