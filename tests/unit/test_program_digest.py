"""Any change of the program makes again whatever it made."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache

import pytest
from builders.library import files_of_rooms
from builders.memory_lake import MemoryLake
from chaffinch.pipelines import program_digest as program
from chaffinch.pipelines.farm import Farm
from chaffinch.pipelines.lake.freshness import inputs_of_effects, reading_digest

FILES = tuple(sorted(program.program_files()))


@pytest.fixture(autouse=True)
def forget() -> Iterator[None]:
    program.program_digest.cache_clear()
    yield
    program.program_digest.cache_clear()


def digest_of(monkeypatch: pytest.MonkeyPatch, files: list[tuple[str, bytes]]) -> str:
    monkeypatch.setattr(program, "program_files", lambda: iter(files))
    program.program_digest.cache_clear()
    return program.program_digest()


def test_every_file_of_the_library_counts() -> None:
    tree = {f"{room}/{name}" for room, names in files_of_rooms().items() for name in names}
    assert {path for path, _ in FILES} == tree


def test_a_change_of_any_file_changes_the_digest(monkeypatch: pytest.MonkeyPatch) -> None:
    real = program.program_digest()
    assert digest_of(monkeypatch, list(FILES)) == real
    # The starts of the files do, and versions that are looked up once, so that some hundred digests are quick.
    monkeypatch.setattr(program, "version", cache(program.version))
    starts = [(path, content[:64]) for path, content in FILES]
    before = digest_of(monkeypatch, starts)
    assert before != real
    files = list(starts)
    for k, (path, content) in enumerate(starts):
        files[k] = path, content + b"\n"
        assert digest_of(monkeypatch, files) != before, path
        files[k] = path, content
    assert digest_of(monkeypatch, files[1:]) != before


def test_what_is_read_and_estimated_follows_the_program(monkeypatch: pytest.MonkeyPatch) -> None:
    def made_from() -> tuple[str, ...]:
        return reading_digest(Farm(), []), inputs_of_effects(MemoryLake())

    before = made_from()
    assert made_from() == before
    path, content = FILES[0]
    digest_of(monkeypatch, [(path, content + b"\n"), *FILES[1:]])
    assert not set(made_from()) & set(before)
