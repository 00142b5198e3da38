"""What an inbox holds: any depth, plain or compressed, and nothing hostile is opened."""

from __future__ import annotations

import gzip
import hashlib
import io
import zipfile

import pytest
from chaffinch.pipelines.errors import CallError, UnreadableFile
from chaffinch.pipelines.ingest.inbox import discover
from chaffinch.pipelines.ingest.inbox.discover import find_files, single_file


def zipped(path, members, compression=zipfile.ZIP_DEFLATED):
    with zipfile.ZipFile(path, "w", compression) as archive:
        for name, content in members.items():
            archive.writestr(name, content)


def refusal(path):
    (file,) = find_files(path)
    with pytest.raises(UnreadableFile) as caught:
        file.read_bytes()
    assert str(caught.value) == f"{file.name}: {caught.value.reason}"
    return caught.value.reason


def test_files_come_sorted_from_any_depth_with_the_hash_of_their_bytes(tmp_path):
    (tmp_path / "b" / "c").mkdir(parents=True)
    (tmp_path / "b" / "c" / "deep.csv").write_bytes(b"deep")
    (tmp_path / "a.csv").write_bytes(b"plain")
    (tmp_path / "z.csv.gz").write_bytes(gzip.compress(b"packed"))
    found = list(find_files(tmp_path))
    assert [f.name for f in found] == ["a.csv", "b/c/deep.csv", "z.csv.gz"]
    assert [f.read_bytes() for f in found] == [b"plain", b"deep", b"packed"]
    assert [f.sha256 for f in found] == [
        hashlib.sha256(b).hexdigest() for b in (b"plain", b"deep", b"packed")
    ]
    assert [f.size_bytes for f in found] == [5, 4, 6]


def test_each_member_of_a_zip_is_a_file_of_its_own(tmp_path):
    zipped(tmp_path / "a.zip", {"x/b.csv": b"one", "c.csv": b"two", "__MACOSX/c.csv": b"junk"})
    found = list(find_files(tmp_path))
    assert [(f.name, f.read_bytes()) for f in found] == [("a.zip/c.csv", b"two"), ("a.zip/x/b.csv", b"one")]


@pytest.mark.parametrize(
    "name", [".hidden", ".~lock.a.csv#", "a.csv.part", "a.tmp", "Thumbs.db", ".DS_Store"]
)
def test_hidden_and_temporary_files_are_passed_over(tmp_path, name):
    (tmp_path / name).write_bytes(b"x")
    assert list(find_files(tmp_path)) == []


@pytest.mark.parametrize("name", ["TASKDATA.XML", "TaskData.xml", "taskdata.xml"])
def test_a_folder_with_task_data_is_one_file(tmp_path, name):
    folder = tmp_path / "day 1"
    folder.mkdir()
    (folder / name).write_bytes(b"<a/>")
    (folder / "TLG00001.bin").write_bytes(b"\x01")
    (file,) = find_files(tmp_path)
    assert file.is_task_data
    assert file.name == "day 1"
    assert {n: read() for n, read in file.members.items()} == {name: b"<a/>", "TLG00001.bin": b"\x01"}


def test_logs_next_to_task_data_are_separate_files(tmp_path):
    (tmp_path / "TASKDATA.XML").write_bytes(b"<a/>")
    (tmp_path / "TLG00001.XML").write_bytes(b"<a/>")
    (tmp_path / "log.csv").write_bytes(b"time")
    (tmp_path / "more").mkdir()
    (tmp_path / "more" / "log.csv").write_bytes(b"time")
    found = list(find_files(tmp_path))
    assert [(f.name, f.is_task_data) for f in found] == [
        ("TASKDATA.XML", True),
        ("log.csv", False),
        ("more/log.csv", False),
    ]
    assert set(found[0].members) == {"TASKDATA.XML", "TLG00001.XML"}
    zipped(
        tmp_path / "more" / "t.zip",
        {"TASKDATA.XML": b"<a/>", "T.bin": b"1", "log.csv": b"x", "d/l.csv": b"y"},
    )
    assert [(f.name, f.is_task_data) for f in find_files(tmp_path / "more")] == [
        ("log.csv", False),
        ("t.zip", True),
        ("t.zip/d/l.csv", False),
        ("t.zip/log.csv", False),
    ]


def test_the_hash_of_task_data_covers_names_and_contents_of_all_members(tmp_path):
    def digest(members):
        zipped(tmp_path / "t.zip", members)
        (file,) = find_files(tmp_path)
        return file.sha256

    first = digest({"TASKDATA.XML": b"<a/>", "T.bin": b"1"})
    assert first == digest({"T.bin": b"1", "TASKDATA.XML": b"<a/>"})
    assert first != digest({"TASKDATA.XML": b"<a/>", "T.bin": b"2"})
    assert first != digest({"TASKDATA.XML": b"<a/>", "U.bin": b"1"})
    assert first != digest({"TASKDATA.XML": b"<a/>"})


def test_task_data_and_other_files_in_one_zip(tmp_path):
    zipped(tmp_path / "t.zip", {"one/TASKDATA.XML": b"<a/>", "one/L.bin": b"1", "log.csv": b"time"})
    found = list(find_files(tmp_path))
    assert [(f.name, f.is_task_data) for f in found] == [("t.zip/log.csv", False), ("t.zip/one", True)]
    assert set(found[1].members) == {"TASKDATA.XML", "L.bin"}


def test_task_data_packed_with_backslashes_is_one_file(tmp_path):
    zipped(tmp_path / "t.zip", {"CARD\\TASKDATA.XML": b"<a/>", "CARD\\TLG00001.BIN": b"1"})
    (file,) = find_files(tmp_path)
    assert (file.name, file.is_task_data) == ("t.zip/CARD", True)
    assert set(file.members) == {"TASKDATA.XML", "TLG00001.BIN"}


def test_copies_that_a_terminal_leaves_next_to_its_log_belong_to_the_task_data(tmp_path):
    names = ("TASKDATA.XML", "TLG00001.BIN", "TLG00001.CSV", "tlg00001.syn")
    zipped(tmp_path / "t.zip", {f"card/{name}": name.encode() for name in names})
    (file,) = find_files(tmp_path)
    assert set(file.members) == set(names)


def test_a_link_in_an_archive_is_refused(tmp_path):
    with zipfile.ZipFile(tmp_path / "t.zip", "w") as archive:
        link = zipfile.ZipInfo("log.csv")
        link.create_system, link.external_attr = 3, 0o120777 << 16
        archive.writestr(link, "/etc/passwd")
    assert refusal(tmp_path) == "The archive holds a link ('log.csv') in place of a file; pack the file."


def test_a_link_that_leads_outside_is_refused_and_one_inside_is_read(tmp_path):
    inbox = tmp_path / "inbox"
    inbox.mkdir()
    (tmp_path / "secret.csv").write_bytes(b"secret")
    (inbox / "out.csv").symlink_to(tmp_path / "secret.csv")
    assert "leads outside the inbox" in refusal(inbox)
    (inbox / "out.csv").unlink()
    (inbox / "real.csv").write_bytes(b"data")
    (inbox / "link.csv").symlink_to(inbox / "real.csv")
    assert [f.read_bytes() for f in find_files(inbox)] == [b"data", b"data"]


def test_a_link_to_its_own_folder_does_not_loop(tmp_path):
    (tmp_path / "loop").symlink_to(tmp_path)
    assert "copy the file itself here" in refusal(tmp_path)


@pytest.mark.parametrize(
    "name", ["../evil.csv", "/etc/evil.csv", "C:/evil.csv", "a/../../evil.csv", "..\\evil.csv"]
)
def test_a_zip_that_names_files_outside_itself_is_refused(tmp_path, name):
    zipped(tmp_path / "a.zip", {name: b"x"})
    reason = refusal(tmp_path)
    assert reason.startswith("The archive names a file outside itself")
    assert reason.endswith("it was not opened.")


def test_a_zip_bomb_is_refused_by_ratio(tmp_path):
    zipped(tmp_path / "a.zip", {"a.csv": b"0" * (32 << 20)})
    assert "unpacks to more than 200 times its size" in refusal(tmp_path)


def test_a_gzip_bomb_is_refused_while_it_unpacks(tmp_path):
    (tmp_path / "a.csv.gz").write_bytes(gzip.compress(b"0" * (32 << 20)))
    assert "unpacks to more than 200 times its size" in refusal(tmp_path)


def test_more_than_the_limit_unpacked_is_refused(tmp_path, monkeypatch):
    monkeypatch.setattr(discover, "MOST_UNPACKED_BYTES", 1000)
    (tmp_path / "a.csv").write_bytes(b"0" * 1001)
    assert "more than 2 GiB" in refusal(tmp_path)


def test_a_zip_in_a_zip_is_refused(tmp_path):
    inner = io.BytesIO()
    zipped(inner, {"a.csv": b"x"})
    zipped(tmp_path / "a.zip", {"b.zip": inner.getvalue()})
    assert refusal(tmp_path) == "It is an archive inside an archive; unpack it once."


def test_gzip_in_a_zip_is_unpacked(tmp_path):
    zipped(tmp_path / "a.zip", {"b.csv.gz": gzip.compress(b"time,speed")})
    (file,) = find_files(tmp_path)
    assert file.read_bytes() == b"time,speed"


@pytest.mark.parametrize("damage", ["gzip", "zip"])
def test_a_damaged_archive_is_refused(tmp_path, damage):
    if damage == "gzip":
        (tmp_path / "a.gz").write_bytes(gzip.compress(bytes(range(256)) * 500)[:-200])
    else:
        zipped(tmp_path / "a.zip", {"a.csv": bytes(range(256)) * 500})
        (tmp_path / "a.zip").write_bytes((tmp_path / "a.zip").read_bytes()[:-30])
    assert "damaged or cut short" in refusal(tmp_path)


@pytest.mark.parametrize("content", [b"PK\3\4", b"PK\5\6" + b"\0" * 17])
def test_the_beginning_of_an_archive_is_refused(tmp_path, content):
    (tmp_path / "a.zip").write_bytes(content)
    assert "damaged or cut short" in refusal(tmp_path)


def test_a_workbook_is_refused_with_what_to_do(tmp_path):
    zipped(tmp_path / "log.xlsx", {"[Content_Types].xml": b"<x/>", "xl/sheet1.xml": b"<x/>"})
    assert refusal(tmp_path) == "It is an office document; export the sheet with the log as CSV."


def test_an_empty_zip_is_on_record(tmp_path):
    zipped(tmp_path / "a.zip", {})
    assert refusal(tmp_path) == "The archive holds no files."


def test_a_refused_file_is_recognised_again_by_its_hash(tmp_path):
    zipped(tmp_path / "a.zip", {"../x": b"x"})
    (first,), (second,) = find_files(tmp_path), find_files(tmp_path)
    assert first.sha256 == second.sha256 == hashlib.sha256((tmp_path / "a.zip").read_bytes()).hexdigest()


def test_what_could_be_read_of_a_damaged_file_is_not_taken_for_another_file(tmp_path):
    (tmp_path / "empty.csv").write_bytes(b"")
    (tmp_path / "cut_a.csv.gz").write_bytes(gzip.compress(b"time")[:5])
    (tmp_path / "cut_b.csv.gz").write_bytes(gzip.compress(b"other")[:5])
    found = list(find_files(tmp_path))
    assert len({f.sha256 for f in found}) == 3
    assert [f.sha256 for f in find_files(tmp_path)] == [f.sha256 for f in found]


def test_a_name_that_is_no_utf8_becomes_printable(tmp_path):
    import os

    with open(os.fsencode(tmp_path) + b"/bad\xff\n.csv", "wb") as stream:
        stream.write(b"x")
    (file,) = find_files(tmp_path)
    assert file.name.isprintable()
    assert file.read_bytes() == b"x"


def test_no_folder_is_a_wrong_call(tmp_path):
    with pytest.raises(CallError, match="is not a folder; give the folder that the logs lie in"):
        list(find_files(tmp_path / "none"))
    with pytest.raises(CallError, match="is neither a file nor a folder"):
        single_file(tmp_path / "none")
