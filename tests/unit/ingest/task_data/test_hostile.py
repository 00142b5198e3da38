"""Hostile task data is refused with one sentence; nothing outside is read and memory stays bounded."""

from __future__ import annotations

import io
import os
import tracemalloc
import zipfile
from pathlib import Path

import pytest
from builders import task_data_sets as sets
from chaffinch.pipelines.errors import UnreadableFile
from chaffinch.pipelines.farm import Farm
from chaffinch.pipelines.ingest import read
from chaffinch.pipelines.ingest.inbox import discover
from chaffinch.pipelines.ingest.inbox.discover import find_files, single_file
from chaffinch.pipelines.ingest.task_data import read_task_data
from chaffinch.pipelines.ingest.task_data.files import safe_xml
from chaffinch.pipelines.ingest.task_data.files.safe_xml import RefusedXml, parse_xml

NEVER_NEEDED = "holds a document type declaration, which task data never needs; it was not followed"


def test_an_external_entity_is_not_followed(tmp_path: Path) -> None:
    secret = tmp_path / "secret.txt"
    secret.write_text("harvest moon")
    text = (
        f'<!DOCTYPE ISO11783_TaskData [<!ENTITY x SYSTEM "{secret.as_uri()}">]>'
        '<ISO11783_TaskData><PFD A="PFD-1" C="&x;"/></ISO11783_TaskData>'
    )
    with pytest.raises(UnreadableFile, match=NEVER_NEEDED) as refusal:
        read_task_data(sets.members(TASKDATA_XML=text.encode()), "set", Farm())
    assert "harvest moon" not in str(refusal.value)


def test_entities_that_multiply_are_not_expanded() -> None:
    laughs = "".join(f'<!ENTITY l{n} "{f"&l{n - 1};" * 10}">' for n in range(1, 12))
    text = f'<!DOCTYPE x [<!ENTITY l0 "ha">{laughs}]><TIM A="">&l11;</TIM>'
    tracemalloc.start()
    with pytest.raises(RefusedXml, match=NEVER_NEEDED):
        parse_xml(text.encode())
    assert tracemalloc.get_traced_memory()[1] < 1_000_000
    tracemalloc.stop()


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16", "utf-16-le"])
def test_a_document_type_is_refused_in_any_encoding(encoding: str) -> None:
    text = '<!DOCTYPE x [<!ENTITY a "b">]><TIM A="&a;"/>'
    with pytest.raises(RefusedXml):
        parse_xml(text.encode(encoding))


def test_nesting_100_000_deep() -> None:
    text = b"<a>" * 100_000 + b"</a>" * 100_000
    with pytest.raises(RefusedXml, match="nests elements deeper than 64, which task data never does"):
        parse_xml(text)


def test_more_elements_than_any_farm_has(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(safe_xml, "MAX_ELEMENTS", 1000)
    assert len(parse_xml(b"<a>" + b"<b/>" * 999 + b"</a>").root.children) == 999
    with pytest.raises(RefusedXml, match="holds more than 1000 elements, too many for task data"):
        parse_xml(b"<a>" + b"<b/>" * 1000 + b"</a>")


def test_hostile_header_leaves_the_other_logs() -> None:
    tasks = '<TSK A="T" E="PFD-1" G="4"><TLG A="TLG00001" C="1"/><TLG A="TLG00002" C="1"/></TSK>'
    files = sets.members(
        TASKDATA_XML=sets.task_file(tasks=tasks),
        TLG00002_XML=b'<!DOCTYPE TIM [<!ENTITY a "b">]><TIM A=""/>',
        TLG00002_BIN=b"abc",
    )
    parsed = read_task_data(files, "set", Farm())
    assert parsed.rows_read == 61
    assert parsed.set_aside is not None
    assert NEVER_NEEDED in parsed.set_aside["sentence"][0]


@pytest.mark.parametrize("stem", ["../../etc/passwd", "/etc/passwd", "C:\\secret", "PFD00001/../x", "CON"])
def test_a_link_to_elsewhere_is_not_opened(stem: str) -> None:
    linked = f'<XFR A="{stem}" B="1"/><PFD A="PFD-1" C="Mill Field" D="0"/>'
    parsed = read_task_data(sets.members(TASKDATA_XML=sets.task_file(more=linked)), "set", Farm())
    assert parsed.rows_read == 60
    assert (
        "TASKDATA.XML links a file whose name the standard does not allow; it was not opened." in parsed.notes
    )


def test_linked_files_are_read_once_and_one_level_deep() -> None:
    linked = '<XFR A="PFD00001" B="1"/><XFR A="pfd00001" B="1"/><XFR A="PFD00002" B="1"/>'
    files = sets.members(TASKDATA_XML=sets.task_file(more=linked))
    files["pfd00001.xml"] = lambda: (
        b'<XFC><XFR A="PFD00001" B="1"/><PFD A="PFD-1" C="Mill Field" D="0"/></XFC>'
    )
    parsed = read_task_data(files, "set", Farm())
    assert parsed.readings is not None
    assert parsed.readings["field"].unique().to_list() == ["Mill Field"]
    assert "PFD00002.XML is linked but missing." in parsed.notes


def test_a_link_in_a_folder_is_not_followed(tmp_path: Path) -> None:
    outside = tmp_path / "outside.bin"
    outside.write_bytes(sets.log())
    folder = tmp_path / "set"
    folder.mkdir()
    for name, content in sets.members(TLG00001_BIN=None).items():
        (folder / name).write_bytes(content())
    os.symlink(outside, folder / "TLG00001.BIN")
    parsed = sets.read_packed(folder)
    assert parsed.readings is None
    assert parsed.set_aside is not None
    assert parsed.set_aside["sentence"].to_list() == ["TLG00001.BIN is named by task TSK-1 but is missing."]


def test_a_file_of_ten_gigabytes_is_not_read(tmp_path: Path) -> None:
    (tmp_path / "TASKDATA.XML").write_bytes(sets.task_file())
    with (tmp_path / "TLG00001.BIN").open("wb") as file:
        file.truncate(10 * 2**30)  # takes no space: a hole
    assert sets.packed_file(tmp_path).refusal == "The task data hold more than 2 GiB; split them by task."


def packed(tmp_path: Path, entries: dict[str, bytes], compression: int = zipfile.ZIP_DEFLATED) -> Path:
    path = tmp_path / "set.zip"
    with zipfile.ZipFile(path, "w", compression) as archive:
        for name, content in entries.items():
            archive.writestr(zipfile.ZipInfo(name) if ".." in name else name, content)
    return path


def sound_entries(folder: str = "TASKDATA/") -> dict[str, bytes]:
    return {folder + name: content() for name, content in sets.members().items()}


def test_a_sound_zip_with_shadows_of_a_file_manager(tmp_path: Path) -> None:
    entries = sound_entries("My Farm/TASKDATA/") | {"__MACOSX/TASKDATA/._TASKDATA.XML": b"\0\5\x16\7"}
    assert sets.read_packed(packed(tmp_path, entries)).rows_read == 60


def test_a_zip_with_backslashes(tmp_path: Path) -> None:
    entries = {name.replace("/", "\\"): content for name, content in sound_entries().items()}
    assert sets.read_packed(packed(tmp_path, entries)).rows_read == 60


def test_two_sets_in_one_zip_are_two_files(tmp_path: Path) -> None:
    broken = sound_entries("two/") | {"two/TASKDATA.XML": b"not xml"}
    one, two = single_file(packed(tmp_path, sound_entries("one/") | broken))
    assert read(one, Farm(), []).rows_read == 60
    with pytest.raises(
        UnreadableFile, match="set.zip/two: TASKDATA.XML is not XML. Export the task data again."
    ):
        read(two, Farm(), [])


def test_a_zip_in_a_zip(tmp_path: Path) -> None:
    inner = io.BytesIO()
    with zipfile.ZipFile(inner, "w") as archive:
        archive.writestr("TASKDATA.XML", b"x")
    entries = sound_entries() | {"TASKDATA/inner.zip": inner.getvalue()}
    task_data, refused = single_file(packed(tmp_path, entries))
    assert read(task_data, Farm(), []).rows_read == 60
    assert refused.refusal == "It is an archive inside an archive; unpack it once."


def test_many_files_that_unpack_to_gigabytes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = packed(tmp_path, sound_entries() | {f"TASKDATA/{n}.BIN": b"\0" * 2**20 for n in range(12)})
    monkeypatch.setattr(discover, "MOST_UNPACKED_BYTES", 10 * 2**20)
    assert "It holds more than 2 GiB" in (sets.packed_file(path).refusal or "")
    monkeypatch.setattr(discover, "MOST_FILES", 10)
    assert "The archive holds 15 files" in (sets.packed_file(path).refusal or "")


def test_a_zip_that_lies_about_its_sizes(tmp_path: Path) -> None:
    """The declared size is made small; what counts is what comes out."""
    path = packed(tmp_path, {"TASKDATA/TASKDATA.XML": b" " * (30 * 2**20)})
    data = path.read_bytes()
    size = (30 * 2**20).to_bytes(4, "little")
    assert data.count(size) >= 1
    path.write_bytes(data.replace(size, (1000).to_bytes(4, "little")))
    tracemalloc.start()
    with pytest.raises(UnreadableFile, match="TASKDATA.XML is damaged where it is packed"):
        sets.read_packed(path)
    assert tracemalloc.get_traced_memory()[1] < 50_000_000
    tracemalloc.stop()


def test_a_member_of_the_inbox_that_lies_about_its_size(tmp_path: Path) -> None:
    """30 MiB that unpack from 30 kB, declared as 1000 bytes: the one log is set aside, the other is read."""
    large = b" " * (30 * 2**20)
    path = packed(tmp_path, sound_entries() | {"TASKDATA/TLG00002.BIN": large})
    path.write_bytes(
        path.read_bytes().replace(len(large).to_bytes(4, "little"), (1000).to_bytes(4, "little"))
    )
    tracemalloc.start()
    (file,) = find_files(tmp_path)
    parsed = read(file, Farm(), [])
    assert tracemalloc.get_traced_memory()[1] < 20_000_000
    tracemalloc.stop()
    assert parsed.readings is not None and len(parsed.readings) == 60
    assert parsed.set_aside is not None and len(parsed.set_aside) == 1
    assert "TLG00002.BIN: is damaged where it is packed" in parsed.set_aside["sentence"][0]


def test_a_zip_with_a_password_bit(tmp_path: Path) -> None:
    path = packed(tmp_path, sound_entries(), zipfile.ZIP_STORED)
    data = bytearray(path.read_bytes())
    at = data.index(b"PK\1\2")
    data[at + 8] |= 1
    path.write_bytes(bytes(data))
    assert "is locked with a password" in (sets.packed_file(path).refusal or "")


def test_a_damaged_member(tmp_path: Path) -> None:
    path = packed(tmp_path, sound_entries())
    data = bytearray(path.read_bytes())
    data[60:90] = b"\xff" * 30
    path.write_bytes(bytes(data))
    with pytest.raises(UnreadableFile, match="TASKDATA.XML is damaged where it is packed"):
        sets.read_packed(path)


def test_parents_that_form_a_loop() -> None:
    device = sets.DEVICE.replace('E="0" F="0"', 'E="0" F="2"')
    assert (
        read_task_data(sets.members(TASKDATA_XML=sets.task_file(devices=device)), "set", Farm()).rows_read
        == 60
    )


def test_names_that_are_markup_stay_data() -> None:
    device = sets.DEVICE.replace("Third Combine", "&lt;script&gt;alert(1)&lt;/script&gt;")
    parsed = read_task_data(sets.members(TASKDATA_XML=sets.task_file(devices=device)), "set", Farm())
    assert parsed.readings is not None
    assert parsed.readings["machine"][0] == "<script>alert(1)</script>"
