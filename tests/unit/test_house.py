"""The layout of the library: which room may import which, how large rooms are, and that names are unique."""

from __future__ import annotations

import ast
from collections import defaultdict

from builders.library import ROOT, files_of_rooms, modules

UNIT_TESTS = sorted((ROOT / "tests/unit").rglob("test_*.py"))
MOST_FILES_IN_A_ROOM = 18
MOST_LOOSE_MODULES = 6

FLOW = (
    ("pipelines",),
    ("schemas", "sql"),
    ("schemas/words",),
    ("pipelines/farm", "pipelines/parsed.py", "pipelines/trials/written"),
    ("pipelines/agronomy",),
    ("pipelines/parallel",),
    ("pipelines/ingest/inbox",),
    ("pipelines/ingest/text",),
    ("pipelines/ingest/notes",),
    ("pipelines/ingest/kinds",),
    ("pipelines/ingest/task_data/files",),
    ("pipelines/ingest/task_data/records",),
    ("pipelines/ingest/task_data/meaning",),
    ("pipelines/ingest/task_data",),
    ("pipelines/ingest",),
    ("pipelines/validate",),
    ("pipelines/lake",),
    ("pipelines/work",),
    ("pipelines/trials/done",),
    ("pipelines/estimate/data",),
    ("pipelines/estimate/model",),
    ("pipelines/estimate/clocks",),
    ("pipelines/estimate/results",),
    ("pipelines/estimate/signals",),
    ("pipelines/estimate/responses", "pipelines/estimate/sensors"),
    ("pipelines/estimate/kept",),
    ("pipelines/estimate",),
    ("pipelines/trials/design",),
    ("pipelines/trials/answers",),
    ("pipelines/simulate",),
    ("pipelines/prove",),
    ("dashboards/words",),
    ("dashboards/figures",),
    ("dashboards/templates/assets",),
    ("dashboards/templates",),
    ("dashboards/sensors", "dashboards/paper", "dashboards/site"),
    ("dashboards/start_sheet",),
    ("dashboards/pages", "dashboards/report"),
    ("dashboards",),
    ("pipelines/night",),
    ("pipelines/command_line",),
)
"""The rooms in the order in which data flow. A module imports from its own step and from steps above it in this
list; rooms of one step do not import each other. The longest path that fits a file is its place: ``pipelines`` is
what lies loose there."""

# What does not hold yet. Each of these sets shrinks to nothing.
STILL_UP: set[str] = set()
STILL_CIRCULAR: set[str] = set()
STILL_LARGE: set[str] = set()
STILL_TWO_MODULES: set[str] = set()
STILL_TWO_DEFINITIONS: set[str] = set()
STILL_NAMED_LIKE_ANOTHER_MODULE: set[str] = set()
STILL_TWO_CONSTANTS: set[str] = set()


def test_every_module_has_its_place_in_the_flow():
    homeless = [path for path in modules() if _place(path) is None and not path.endswith("/__init__.py")]
    empty = {place for step in FLOW for place in step} - {_place(path) for path in modules()}
    assert (homeless, sorted(empty)) == ([], [])


def test_no_import_goes_up_the_flow():
    found = {
        f"{module.path} -> {other}"
        for module in modules().values()
        for other in module.imports
        if _place(module.path) != _place(other) and _step(other) >= _step(module.path)
    }
    _nothing_but(STILL_UP, found)


def test_no_files_import_each_other_in_a_circle():
    imports = {module.path: module.imports for module in modules().values()}
    _nothing_but(STILL_CIRCULAR, {path for circle in circles_of(imports) for path in circle})


def test_circles_are_found():
    arrows = {"a": {"b"}, "b": {"c"}, "c": {"a", "d"}, "d": {"e"}, "e": {"d"}, "f": {"a", "f"}}
    assert sorted(map(sorted, circles_of(arrows))) == [["a", "b", "c"], ["d", "e"], ["f"]]


def test_no_room_is_too_large():
    large = {room for room, files in files_of_rooms().items() if len(files) > MOST_FILES_IN_A_ROOM}
    _nothing_but(STILL_LARGE, large)


def test_one_module_starts_other_programs():
    """It keeps folders of logs out of their imports; the pool of processes uses its environment."""
    starters = (
        "Popen",
        "run",
        "call",
        "check_call",
        "check_output",
        "getoutput",
        "getstatusoutput",
        "system",
        "popen",
    )
    found = set()
    for module in modules().values():
        for each in ast.walk(module.tree):
            if isinstance(each, ast.Call):
                owner, _, name = ast.unparse(each.func).rpartition(".")
                begins = owner == "os" and name.startswith(("spawn", "posix_spawn", "exec", "fork"))
                if begins or (owner in ("subprocess", "os") and name in starters):
                    found.add(module.path)
            elif isinstance(each, ast.ImportFrom) and each.module in ("subprocess", "pty"):
                found.add(module.path)
    assert found == {"pipelines/parallel/children.py"}


def test_few_modules_lie_loose_in_pipelines():
    loose = [name for name in files_of_rooms()["pipelines"] if name != "__init__.py"]
    assert len(loose) <= MOST_LOOSE_MODULES, loose


def test_unit_tests_lie_in_folders_named_like_the_rooms():
    rooms = {room.removeprefix("pipelines/") for room in files_of_rooms()}
    folders = {path.parent.relative_to(ROOT / "tests/unit").as_posix() for path in UNIT_TESTS} - {"."}
    assert folders - rooms == set()


def test_no_two_modules_share_a_name():
    paths = defaultdict(list)
    for module in modules().values():
        if module.name != "__init__":
            paths[module.name].append(module.path)
    _nothing_but(STILL_TWO_MODULES, _shared(paths))


def test_no_two_functions_or_classes_share_a_name():
    _nothing_but(STILL_TWO_DEFINITIONS, _shared(_paths_of_names("functions_and_classes")))


def test_no_function_or_class_has_the_name_of_another_module():
    """A function may have the name of the module that it is the main part of, not that of any other.

    But for ``run``: of a program that is the command line, of ``night`` it is the module of one night.
    """
    paths = {module.name: module.path for module in modules().values()}
    found = {
        f"{name}: {module.path} {paths[name]}"
        for module in modules().values()
        for name in module.functions_and_classes & paths.keys()
        if paths[name] != module.path and name != "run"
    }
    _nothing_but(STILL_NAMED_LIKE_ANOTHER_MODULE, found)


def test_no_two_constants_share_a_name_that_other_modules_import():
    """What only its own module uses is named for its reader there; what others import is a word of the program.

    Type variables and the alias of a NumPy array mean the same everywhere.
    """
    imported = {pair for module in modules().values() for pair in module.imported_names}
    paths = {
        name: found
        for name, found in _paths_of_names("constants").items()
        if name not in ("T", "R", "Array") and any((path, name) in imported for path in found)
    }
    _nothing_but(STILL_TWO_CONSTANTS, _shared(paths))


def circles_of(arrows: dict[str, set[str] | frozenset[str]]) -> list[set[str]]:
    """The strongly connected parts with a circle of a directed graph (Tarjan 1972, SIAM J. Comput. 1:146-160)."""
    number: dict[str, int] = {}
    lowest: dict[str, int] = {}
    stack: list[str] = []
    found: list[set[str]] = []

    def visit(node: str) -> None:
        number[node] = lowest[node] = len(number)
        stack.append(node)
        for other in arrows.get(node, ()):
            if other not in number:
                visit(other)
                lowest[node] = min(lowest[node], lowest[other])
            elif other in stack:
                lowest[node] = min(lowest[node], number[other])
        if lowest[node] == number[node]:
            part = set(stack[stack.index(node) :])
            del stack[stack.index(node) :]
            if len(part) > 1 or node in arrows.get(node, ()):
                found.append(part)

    for node in arrows:
        if node not in number:
            visit(node)
    return found


def _place(path: str) -> str | None:
    """The longest path of ``FLOW`` that holds the file."""
    fitting = [place for step in FLOW for place in step if path == place or path.startswith(f"{place}/")]
    return max(fitting, key=len, default=None)


def _step(path: str) -> int | None:
    place = _place(path)
    return None if place is None else next(n for n, step in enumerate(FLOW) if place in step)


def _paths_of_names(kind: str) -> dict[str, list[str]]:
    paths = defaultdict(list)
    for module in modules().values():
        for name in getattr(module, kind):
            paths[name].append(module.path)
    return paths


def _shared(paths: dict[str, list[str]]) -> set[str]:
    return {f"{name}: {' '.join(found)}" for name, found in paths.items() if len(found) > 1}


def _nothing_but(still: set[str], found: set[str]) -> None:
    """Fails where anything is found that is not in ``still``. Of an entry, what comes before the colon counts."""
    known = {each.split(":")[0] for each in still}
    left = sorted(each for each in found if each.split(":")[0] not in known)
    assert not left, "\n".join(["", *left])
