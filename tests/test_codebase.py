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


def test_every_file_says_what_belongs_in_it() -> None:
    for file in PACKAGE.rglob("*.py"):
        assert ast.get_docstring(ast.parse(file.read_text(encoding="utf-8"))), file


def test_only_the_command_line_prints() -> None:
    for file in PACKAGE.rglob("*.py"):
        calls = [n for n in ast.walk(ast.parse(file.read_text())) if isinstance(n, ast.Call)]
        prints = [n for n in calls if isinstance(n.func, ast.Name) and n.func.id == "print"]
        assert not prints or file.name == "cli.py"
