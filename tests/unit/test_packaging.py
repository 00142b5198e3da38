"""What ``pyproject.toml`` lists by hand is what the tree holds."""

from __future__ import annotations

import subprocess
import sys
import tomllib
from fnmatch import fnmatch
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
CODE = ("pipelines", "schemas", "sql", "dashboards")


@pytest.fixture(scope="module")
def setuptools_table() -> dict:
    return tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["setuptools"]


def _folders_of_code() -> dict[str, str]:
    found = [init.parent for folder in CODE for init in (ROOT / folder).rglob("__init__.py")]
    paths = [folder.relative_to(ROOT).as_posix() for folder in found]
    return {f"chaffinch.{path.replace('/', '.')}": path for path in paths}


def test_every_folder_of_code_is_listed_and_nothing_else(setuptools_table):
    listed, there = set(setuptools_table["packages"]), set(_folders_of_code())
    assert there - listed == set(), "packages of the tree that pyproject.toml lacks"
    assert listed - there == set(), "packages of pyproject.toml that the tree lacks"
    assert len(setuptools_table["packages"]) == len(listed)
    assert setuptools_table["package-dir"] == _folders_of_code()


def test_every_folder_with_modules_is_a_package():
    modules = [path for folder in CODE for path in (ROOT / folder).rglob("*.py")]
    bare = {m.parent.relative_to(ROOT).as_posix() for m in modules if not (m.parent / "__init__.py").exists()}
    assert bare == set()


def test_every_data_file_is_shipped(setuptools_table):
    shipped = setuptools_table["package-data"]["*"]
    data = [
        path
        for folder in CODE
        for path in (ROOT / folder).rglob("*")
        if path.is_file() and path.suffix not in (".py", ".pyc") and "__pycache__" not in path.parts
    ]
    assert len(data) >= 5  # channels, settings, crops, reasons, unlikely
    missing = [p.relative_to(ROOT).as_posix() for p in data if not any(fnmatch(p.name, s) for s in shipped)]
    assert missing == []


def test_every_data_file_lies_in_a_package():
    data = [p for folder in CODE for p in (ROOT / folder).rglob("*.toml")]
    data += [p for folder in CODE for p in (ROOT / folder).rglob("*.sql")]
    assert [p for p in data if not (p.parent / "__init__.py").exists()] == []


def test_nothing_imports_the_bare_names():
    # `import pipelines` would be a second identity of the same module, with its own caches and classes.
    sources = [p for folder in (*CODE, "tests") for p in (ROOT / folder).rglob("*.py")]
    starts = tuple(f"{word} {name}" for word in ("import", "from") for name in CODE)
    guilty = [
        f"{p.relative_to(ROOT)}: {line.strip()}"
        for p in sources
        for line in p.read_text(encoding="utf-8").splitlines()
        if line.strip().startswith(starts) and line.strip().split()[1].split(".")[0] in CODE
    ]
    assert guilty == []


def test_declared_knowledge_loads_without_the_heavy_parts():
    # `chaffinch --help` has half a second: what it reads must not pull in engines that take seconds.
    heavy = ("duckdb", "great_expectations", "prefect", "plotly", "scipy", "deltalake", "statsmodels", "pint")
    code = (
        "import sys; from chaffinch.schemas.declarations import settings, crops; settings(); crops();"
        f"print([m for m in {heavy!r} if m in sys.modules])"
    )

    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60
    )
    assert done.stdout.strip() == "[]"
