"""The house: a room imports only shared modules; only `pipeline` and those after it know rooms."""

import ast
from pathlib import Path

import pytest

import raster2path

PACKAGE = Path(raster2path.__file__).parent
FRONTS = {"bench", "light"}
"""Pages: like the command line they come after the pipeline."""

ROOMS = sorted(
    file
    for file in PACKAGE.rglob("*.py")
    if file.parent.name not in {PACKAGE.name, *FRONTS} and file.stem != "__init__"
)
SHARED = {"model", "job", "errors", "geometry", "material", "units"}


def own_imports(file: Path) -> set[str]:
    """Modules of the package that a file imports, anywhere in it."""
    found = set()
    for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("raster2path."):
            found.add((node.module or "").removeprefix("raster2path."))
        if isinstance(node, ast.Import):
            found |= {
                a.name.removeprefix("raster2path.") for a in node.names if "raster2" in a.name
            }
    return found


@pytest.mark.parametrize("file", ROOMS, ids=lambda f: str(f.relative_to(PACKAGE)))
def test_a_room_knows_no_other_room(file: Path) -> None:
    """A folder's own files may know each other; nothing else but the shared modules."""
    folder = file.parent.name
    strangers = {
        name for name in own_imports(file) if name not in SHARED and name.split(".")[0] != folder
    }
    assert not strangers


def test_shared_modules_do_not_know_rooms() -> None:
    for name in SHARED:
        assert own_imports(PACKAGE / f"{name}.py") <= SHARED


STREAM = (
    "errors", "units", "geometry", "material", "model", "job", "settings", "jobfile", "habits",
    "check", "pipeline", "telling", "held", "outputs", "going", "errand", "_worker", "many", "cli",
    "__init__", "__main__",
)  # fmt: skip
"""The files beside the rooms, in the order in which they may know each other."""


def test_no_import_goes_against_the_stream() -> None:
    """A file beside the rooms imports only those before it; fronts are for `cli` alone."""
    there = {file.stem for file in PACKAGE.glob("*.py")}
    assert there == set(STREAM), "a new file has no place in the stream yet"
    for at, name in enumerate(STREAM):
        known = own_imports(PACKAGE / f"{name}.py")
        beside = {one for one in known if one.partition(".")[0] in there}
        assert beside <= set(STREAM[:at]), name
        if name != "cli":
            assert not {one for one in known if one.partition(".")[0] in FRONTS}, name


def test_no_files_import_each_other_in_a_circle() -> None:
    """By depth-first search, imports inside functions counted."""
    names = {
        ".".join(file.relative_to(PACKAGE).with_suffix("").parts): file
        for file in PACKAGE.rglob("*.py")
    }
    imports = {name: own_imports(file) & set(names) for name, file in names.items()}
    done: set[str] = set()

    def visit(name: str, way: tuple[str, ...]) -> None:
        assert name not in way, " -> ".join((*way, name))
        if name not in done:
            for one in sorted(imports[name]):
                visit(one, (*way, name))
            done.add(name)

    for name in names:
        visit(name, ())


LONG = {
    "pipeline.make": "the whole road on one screen",
    "_heat.simulate": "all that happens in one step of time, in its order",
    "_letterlike.of_row": "what is told of a row, one number a line",
}
"""Functions over sixty lines, and why."""


def test_functions_are_short() -> None:
    """Sixty lines, a docstring not counted; one that has become short is on the list no more."""
    long = set()
    for file in PACKAGE.rglob("*.py"):
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
                first = node.body[1] if ast.get_docstring(node) and node.body[1:] else node.body[0]
                if (node.end_lineno or 0) - first.lineno >= 60:
                    long.add(f"{file.stem}.{node.name}")
    assert long == set(LONG)


def test_every_file_says_what_belongs_in_it() -> None:
    for file in PACKAGE.rglob("*.py"):
        assert ast.get_docstring(ast.parse(file.read_text(encoding="utf-8"))), file


def test_only_the_command_line_prints() -> None:
    for file in PACKAGE.rglob("*.py"):
        calls = [n for n in ast.walk(ast.parse(file.read_text())) if isinstance(n, ast.Call)]
        prints = [n for n in calls if isinstance(n.func, ast.Name) and n.func.id == "print"]
        assert not prints or file.name == "cli.py"
