"""A farm.toml that can't hold: it is said, what was stated before holds, and the rest of the night is done."""

from __future__ import annotations

from pathlib import Path

import pytest
from chaffinch.pipelines.command_line.program import run
from chaffinch.pipelines.lake import Lake

LOG = "time,machine,field,crop,speed_m_s\n" + "".join(
    f"2026-07-20T08:00:{i:02d}Z,A,Mill Field,wheat,1.{i % 9}\n" for i in range(60)
)
STATED = '[machines."Combine A"]\naliases = ["A"]\n'
WRONG = '[machines."Combine A"]\naliases = ["A"\n'


@pytest.fixture
def inbox(tmp_path: Path) -> Path:
    folder = tmp_path / "inbox"
    folder.mkdir()
    (folder / "a.csv").write_text(LOG)
    return folder


def night(inbox: Path) -> int:
    parent = inbox.parent
    return run(["nightly", str(inbox), "--lake", str(parent / "lake"), "--site", str(parent / "site")])


def machines(inbox: Path) -> list[str]:
    return Lake.open(inbox.parent / "lake").scan("readings").collect()["machine"].unique().to_list()


@pytest.mark.slow
def test_a_wrong_farm_leaves_what_was_stated_before(inbox: Path, capsys: pytest.CaptureFixture[str]) -> None:
    farm = inbox / "farm.toml"
    farm.write_text(STATED)
    night(inbox)
    assert machines(inbox) == ["Combine A"]

    farm.write_text(WRONG)
    (inbox / "b.csv").write_text(LOG.replace("2026-07-20", "2026-07-21"))
    capsys.readouterr()
    assert night(inbox) == 1
    result = capsys.readouterr().out
    assert "farm.toml could not be read: It is not valid TOML" in result
    assert "Until then the one of before stays in use." in result
    lake = Lake.open(inbox.parent / "lake")
    assert machines(inbox) == ["Combine A"]
    assert lake.scan("readings").collect().height == 120
    assert (inbox.parent / "site" / "index.html").is_file()

    # The same fault again is still said, and still an exit code.
    capsys.readouterr()
    assert night(inbox) == 1
    assert "the one of before stays in use" in capsys.readouterr().out

    # Mended, it holds, and nothing is left of the wrong one.
    farm.write_text(STATED.replace("Combine A", "Rook"))
    assert night(inbox) == 0
    assert machines(inbox) == ["Rook"]
    assert lake.ledger()["name"].to_list() == ["a.csv", "b.csv", "farm.toml"]


@pytest.mark.slow
def test_a_wrong_farm_from_the_start(inbox: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (inbox / "farm.toml").write_text(WRONG)
    assert night(inbox) == 1
    assert "Until then files are read without it." in capsys.readouterr().out
    assert machines(inbox) == ["A"]
    (inbox / "farm.toml").write_text(STATED)
    night(inbox)
    assert machines(inbox) == ["Combine A"]


@pytest.mark.slow
def test_two_farms_that_differ(inbox: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (inbox / "farm.toml").write_text(STATED)
    (inbox / "deep").mkdir()
    (inbox / "deep" / "farm.toml").write_text('units = "us"\n')
    assert night(inbox) == 1
    assert "more than once and they differ: deep/farm.toml and farm.toml" in capsys.readouterr().out
    assert machines(inbox) == ["A"]
    (inbox / "deep" / "farm.toml").unlink()
    night(inbox)
    assert machines(inbox) == ["Combine A"]
