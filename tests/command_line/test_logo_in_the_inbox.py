"""The client's logo lies next to farm.toml in the inbox and is kept (tests/pages: reports show it)."""

from __future__ import annotations

import zlib
from pathlib import Path

import pytest
from chaffinch.pipelines.lake import Lake
from chaffinch.pipelines.night.run import ingest_inbox


def chunk(kind: bytes, content: bytes) -> bytes:
    """A chunk of a PNG: length, kind, content, check sum (ISO/IEC 15948)."""
    ends = zlib.crc32(kind + content).to_bytes(4, "big")
    return len(content).to_bytes(4, "big") + kind + content + ends


HEADER = b"\0\0\0\1\0\0\0\1\x08\2\0\0\0"  # one pixel by one, eight bits of red, green and blue
LOGO = (
    b"\x89PNG\r\n\x1a\n"
    + chunk(b"IHDR", HEADER)
    + chunk(b"IDAT", zlib.compress(b"\0\x8a\x33\x10"))
    + chunk(b"IEND", b"")
)


@pytest.fixture
def inbox(tmp_path: Path) -> Path:
    folder = tmp_path / "inbox" / "farm"
    folder.mkdir(parents=True)
    (folder / "rook.png").write_bytes(LOGO)
    (folder / "farm.toml").write_text('[client]\nname = "Rook Hill Farm"\nlogo = "rook.png"\n')
    (folder / "photograph.jpg").write_bytes(b"\xff\xd8\xff" + bytes(600_000))
    return tmp_path / "inbox"


def test_it_is_kept_and_nothing_is_amiss(inbox: Path, tmp_path: Path) -> None:
    lake = Lake(tmp_path / "lake")
    night = ingest_inbox(inbox, lake)
    result = " ".join(night.sentences())
    assert "rook.png: a picture, kept for reports" in result
    assert "photograph.jpg: a picture. It is larger than 500 kB" in result
    assert not night.trouble
    assert lake.check() == []
    assert (lake.picture("rook.png") or "").startswith("data:image/png;base64,iVBORw0KGgo")
    assert lake.picture("photograph.jpg") is None
    assert lake.farm().client.name == "Rook Hill Farm"


def test_a_changed_one_replaces_it(inbox: Path, tmp_path: Path) -> None:
    lake = Lake(tmp_path / "lake")
    ingest_inbox(inbox, lake)
    before = lake.picture("rook.png")
    changed = LOGO.replace(chunk(b"IEND", b""), chunk(b"tEXt", b"Title\0Rook") + chunk(b"IEND", b""))
    (inbox / "farm" / "rook.png").write_bytes(changed)
    ingest_inbox(inbox, lake)
    after = lake.picture("./farm/rook.png")
    assert after is not None and after != before
