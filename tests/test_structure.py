"""The one-way flow: files and machine -> physics -> answers -> show -> command line, enforced on the imports."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

from .conftest import ROOT

PACKAGE = ROOT / "motionlimits"
# Rooms from the first to the last; a room may import from itself and from earlier ones.
ROOMS = [
    {"errors", "machine", "readings", "sweep"},
    {"files"},
    {"physics", "plant"},
    {"workers"},
    {"answers"},
    {"show"},
    {"cli", "__main__", "__init__"},
]
RANK = {name: rank for rank, room in enumerate(ROOMS) for name in room}
# The program that makes the pull-out table, and the table's reader, are physics that read and write their own file.
MODULES = sorted(PACKAGE.rglob("*.py"))


def room(path: Path) -> str:
    inside = path.relative_to(PACKAGE)
    return inside.parts[0] if len(inside.parts) > 1 else inside.stem


def imported_rooms(path: Path) -> set[str]:
    """Rooms named in relative imports, wherever in the file they stand."""
    depth = len(path.relative_to(PACKAGE).parts)
    found = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.ImportFrom) and node.level == depth:
            if node.module:
                found.add(node.module.split(".")[0])
            else:
                found |= {alias.name for alias in node.names}
    return {name for name in found if name in RANK}


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_imports_point_one_way(path: Path) -> None:
    own = RANK[room(path)]
    late = {name for name in imported_rooms(path) if RANK[name] > own}
    assert not late


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_each_module_says_its_room(path: Path) -> None:
    assert path.stat().st_size == 0 or ast.get_docstring(ast.parse(path.read_text()))


def test_only_the_command_line_prints() -> None:
    for path in MODULES:
        if path.name == "cli.py":
            continue
        calls = [n for n in ast.walk(ast.parse(path.read_text())) if isinstance(n, ast.Call)]
        assert not [c for c in calls if isinstance(c.func, ast.Name) and c.func.id == "print"], path


def test_top_level_holds_only_what_it_should() -> None:
    allowed = {"README.md", "DEVELOPERS.md", "pyproject.toml", "motionlimits", "motors", "examples", "tests"}
    import subprocess

    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False)
    if listed.returncode:
        pytest.skip("not a checkout")
    top = {line.split("/")[0] for line in listed.stdout.split("\n") if line}
    assert {name for name in top if not name.startswith(".")} <= allowed
