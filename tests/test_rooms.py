"""The arrows between the rooms: who may import whom."""

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parent.parent / "clipmark"

# A room may import the rooms named here, and modules of the package root named in ROOT.
ARROWS: dict[str, set[str]] = {
    "errors": set(),
    "marks": {"errors"},
    "geometry": {"errors"},
    "uncertainty": {"errors"},
    "clip": {"errors"},
    "motion": {"errors", "marks", "clip", "geometry", "uncertainty"},
    "measure": {"errors", "marks", "clip", "geometry", "uncertainty", "motion"},
    "record": {"errors", "marks", "clip", "geometry", "uncertainty", "motion"},
    "sample": {"errors"},
    "scoring": {"errors", "marks", "uncertainty", "measure", "record"},
    "audit": {
        "errors",
        "marks",
        "marks_file",
        "stands",
        "sheet_grade",
        "clip",
        "uncertainty",
        "measure",
        "record",
        "scoring",
    },
    "sheet_grade": {"errors", "uncertainty", "measure", "record"},
    "signing": {"errors", "record", "sheet_grade"},
    "workbench": {"errors", "marks", "clip", "measure", "record", "sheet_grade"},
    "stands": {"errors", "marks", "marks_file", "clip", "measure", "record"},
    "evidence": {"errors", "measure", "record", "report"},
    "report": {
        "errors",
        "marks",
        "clip",
        "geometry",
        "uncertainty",
        "measure",
        "record",
        "scoring",
        "audit",
    },
    "marks_given": {"errors", "marks", "measure"},
    "marks_file": {"errors", "marks", "marks_given", "clip", "measure", "motion"},
    "batch_pool": {"errors", "clip"},
    "batch_cluster": {"errors", "clip", "record", "batch_pool"},
    "batch_results": {"errors", "record"},
}
# What a pure room may not import from outside, and functions it may not call.
PURE = {"geometry", "uncertainty", "marks"}
IMPURE_LIBRARIES = {"av", "cv2", "pandas", "pydantic", "typer", "rich", "pathlib", "os", "io"}


def modules() -> list[Path]:
    return sorted(path for path in PACKAGE.rglob("*.py"))


def room_of(path: Path) -> str:
    relative = path.relative_to(PACKAGE)
    return relative.parts[0] if len(relative.parts) > 1 else relative.stem


def imports_of(path: Path) -> set[str]:
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import hides the room it goes to"
            found.add(node.module or "")
            found.update(f"{node.module}.{alias.name}" for alias in node.names)
    return found


@pytest.mark.parametrize("path", modules(), ids=lambda p: str(p.relative_to(PACKAGE)))
def test_a_room_imports_only_the_rooms_its_arrows_point_to(path: Path):
    room = room_of(path)
    if room not in ARROWS:  # __init__, cli, page: the outer rooms see everything
        return
    for name in imports_of(path):
        parts = name.split(".")
        if parts[0] != "clipmark" or len(parts) < 2 or parts[1] == "__version__":
            continue
        assert parts[1] == room or parts[1] in ARROWS[room], f"{path.name} imports {name}"


@pytest.mark.parametrize("path", modules(), ids=lambda p: str(p.relative_to(PACKAGE)))
def test_pure_rooms_know_no_files_and_no_screens(path: Path):
    if room_of(path) not in PURE:
        return
    outside = {name.split(".")[0] for name in imports_of(path)}
    assert not outside & IMPURE_LIBRARIES
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
            assert node.func.id not in {"open", "print", "input"}


def test_the_sample_renderer_shares_no_code_with_what_it_tests():
    for path in modules():
        if room_of(path) == "sample":
            inner = {n.split(".")[1] for n in imports_of(path) if n.startswith("clipmark.")}
            assert inner <= {"errors", "sample", "__version__"}, path


def test_modules_stay_readable():
    """A file over 400 lines usually holds two nouns."""
    long = {p.name: n for p in modules() if (n := len(p.read_text().splitlines())) > 420}
    assert not long
