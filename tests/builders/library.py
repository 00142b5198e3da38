"""The library's source as the tests of its layout see it: modules, what each imports, what each defines.

Read with ``ast``, never by importing, so that imports inside functions and under ``TYPE_CHECKING`` count too.
"""

from __future__ import annotations

import ast
from dataclasses import dataclass
from functools import cache
from pathlib import Path

ROOT = Path(__file__).parents[2]
FOLDERS = ("pipelines", "schemas", "sql", "dashboards")


@dataclass(frozen=True)
class Module:
    """One file of the library. ``path`` is relative to the repository, ``imports`` are such paths too.

    ``imported_names`` holds what is imported from inside a module, as (path of the module, name).
    """

    path: str
    tree: ast.Module
    imports: frozenset[str]
    imported_names: frozenset[tuple[str, str]]

    @property
    def room(self) -> str:
        return self.path.rpartition("/")[0]

    @property
    def name(self) -> str:
        return Path(self.path).stem

    @property
    def functions_and_classes(self) -> set[str]:
        """Those at the top of the module without a leading underscore; commands of the command line left out,
        whose names are the contract's."""
        return {
            each.name
            for each in self.tree.body
            if isinstance(each, ast.FunctionDef | ast.ClassDef)
            and not each.name.startswith("_")
            and not any("command(" in ast.unparse(decorator) for decorator in each.decorator_list)
        }

    @property
    def constants(self) -> set[str]:
        """Names assigned at the top of the module without a leading underscore."""
        assigned = (each for each in self.tree.body if isinstance(each, ast.Assign | ast.AnnAssign))
        return {name for each in assigned for name in _names(each) if not name.startswith("_")}

    @property
    def defined(self) -> set[str]:
        """Every name defined at the top of the module or of a class in it (the latter as ``Class.name``)."""
        names = {name for statement in self.tree.body for name in _names(statement)}
        for each in self.tree.body:
            if isinstance(each, ast.ClassDef):
                names |= {f"{each.name}.{name}" for statement in each.body for name in _names(statement)}
        return names


@cache
def modules() -> dict[str, Module]:
    """The library's modules by path."""
    paths = [p.relative_to(ROOT).as_posix() for folder in FOLDERS for p in (ROOT / folder).rglob("*.py")]
    trees = {path: ast.parse((ROOT / path).read_text(encoding="utf-8")) for path in sorted(paths)}
    names = {_dotted(path): path for path in trees}
    return {path: Module(path, tree, *_imports(path, tree, names)) for path, tree in trees.items()}


def files_of_rooms() -> dict[str, list[str]]:
    """The names of the files, of any kind, in each folder of the library."""
    files = [
        p for folder in FOLDERS for p in (ROOT / folder).rglob("*") if p.is_file() and p.suffix != ".pyc"
    ]
    rooms: dict[str, list[str]] = {}
    for file in sorted(files):
        rooms.setdefault(file.parent.relative_to(ROOT).as_posix(), []).append(file.name)
    return rooms


def _dotted(path: str) -> str:
    parts = Path(path).with_suffix("").parts
    return ".".join(("chaffinch", *(parts[:-1] if parts[-1] == "__init__" else parts)))


def _imports(
    path: str, tree: ast.Module, names: dict[str, str]
) -> tuple[frozenset[str], frozenset[tuple[str, str]]]:
    found: set[str] = set()
    inside: set[tuple[str, str]] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            start = _start(path, node)
            # ``from package import name`` is an import of the module ``name`` where there is one.
            found |= {whole if (whole := f"{start}.{a.name}") in names else start for a in node.names}
            inside |= {(names[start], alias.name) for alias in node.names if start in names}
        elif isinstance(node, ast.Constant) and isinstance(node.value, str) and node.value in names:
            # A module named as text is loaded later, by ``import_module`` or ``python -m``.
            found.add(node.value)
    return frozenset(names[name] for name in found if name in names) - {path}, frozenset(inside)


def _start(path: str, node: ast.ImportFrom) -> str:
    package = _dotted(path).split(".") if path.endswith("/__init__.py") else _dotted(path).split(".")[:-1]
    above = package[: len(package) - node.level + 1] if node.level else []
    return ".".join([*above, *([node.module] if node.module else [])])


def _names(statement: ast.stmt) -> set[str]:
    if isinstance(statement, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
        return {statement.name}
    targets = getattr(statement, "targets", None) or [getattr(statement, "target", None)]
    if isinstance(statement, ast.Assign | ast.AnnAssign):
        return {node.id for target in targets for node in ast.walk(target) if isinstance(node, ast.Name)}
    return set()
