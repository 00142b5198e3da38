"""The lock of a lake is a plain file: a link in its place would let somebody else choose what is written over."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest
from chaffinch.pipelines.errors import LakeError
from chaffinch.pipelines.lake.exclusive import exclusive


@pytest.mark.parametrize(
    "put", [os.symlink, os.link, lambda _, to: os.mkfifo(to), lambda _, to: os.mkdir(to)]
)
def test_a_lock_that_is_no_plain_file_is_refused_and_nothing_is_written(
    put: Callable[[Path, Path], None], tmp_path: Path
) -> None:
    victim = tmp_path / "victim"
    victim.write_text("mine")
    (tmp_path / "lake").mkdir()
    put(victim, tmp_path / "lake" / ".writing")
    with pytest.raises(LakeError, match="no plain file"), exclusive(tmp_path / "lake", print):
        pass
    assert victim.read_text() == "mine"
