"""One digest of the installed program: whatever it made is made again where any of it differs.

It covers every file of the four folders that is code or declaration, and the versions of the libraries that
decide results. A list of the modules that matter to a result would have to be kept by hand.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from functools import cache
from importlib.metadata import version
from importlib.resources import files
from importlib.resources.abc import Traversable

FOLDERS = ("pipelines", "schemas", "sql", "dashboards")
ENDINGS = (".py", ".toml", ".sql", ".html", ".css", ".js", ".csv", ".typ")
LIBRARIES = ("duckdb", "numpy", "plotly", "polars", "scipy", "shapely", "typst")


@cache
def program_digest() -> str:
    """Sixteen hexadecimal digits that stand for this program and the libraries that decide its results."""
    whole = hashlib.sha256()
    for path, content in sorted(program_files()):
        whole.update(path.encode() + hashlib.sha256(content).digest())
    for library in LIBRARIES:
        whole.update(f"{library} {version(library)}\n".encode())
    return whole.hexdigest()[:16]


def program_files() -> Iterator[tuple[str, bytes]]:
    """Path from the package down and content of every file that counts."""
    for folder in FOLDERS:
        yield from _below(files(f"chaffinch.{folder}"), folder)


def _below(node: Traversable, path: str) -> Iterator[tuple[str, bytes]]:
    for child in node.iterdir():
        name = f"{path}/{child.name}"
        if child.is_dir():
            yield from _below(child, name)
        elif name.endswith(ENDINGS):
            yield name, child.read_bytes()
