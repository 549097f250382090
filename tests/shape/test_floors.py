"""The code's own shape: who may import whom, and how long a module may be."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
MAX_LINES = 350  # the aim is 300; a little air keeps a good module from being split badly

# A file imports only from floors below. Rooms of floor 3 never import one another.
FLOORS = {
    "errors": 0, "checks": 0,
    "frame": 1, "profile": 1, "nets": 1, "board": 1,
    "radiometry": 2, "heat": 2, "locate": 2, "register": 2, "suspects": 2, "inject": 2,
    "rails": 2, "find": 2, "finding": 2, "weigh": 2, "line": 2, "coarse": 2, "outcome": 2,
    "doubts": 2, "reasons": 2, "reflections": 2, "second_looks": 2, "switched": 2,
    "undisturbed": 2, "beside": 2, "look": 2, "likeness": 2, "fusion": 2, "nearby": 2,
    "hidden": 2, "conclude": 2, "spotting": 2, "detection_limit": 2, "steps": 2,
    "devices": 3, "files": 3, "evidence": 3, "store": 3, "practice": 3,
    "bench": 4, "jobs": 4,
    "app": 5, "cli": 5,
}  # fmt: skip
# One outside library a door; the rest of the code never imports them.
DOORS = {
    "pyvisa": {"devices"}, "sqlalchemy": {"store"}, "alembic": {"store"},
    # To heat it only brings its colour maps.
    "fpdf": {"evidence"}, "matplotlib": {"evidence", "calib", "heat"},
    "PIL": {"evidence", "files", "app"},
    "streamlit": {"app"}, "typer": {"cli", "calib"}, "rich": {"cli", "calib"},
    "av": {"files"}, "tifffile": {"files"}, "imageio": {"files"},
}  # fmt: skip


def modules() -> list[Path]:
    return [p for top in ("hotspot", "calib") for p in sorted((ROOT / top).rglob("*.py"))]


def room(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return "calib" if parts[0] == "calib" else (parts[1] if len(parts) > 1 else "__init__")


def imported(path: Path) -> list[str]:
    names = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names += [a.name for a in node.names]
        elif isinstance(node, ast.ImportFrom):
            if node.level:
                package = path.relative_to(ROOT).parts[: -node.level]
                names.append(".".join([*package, node.module or ""]).rstrip("."))
            else:
                names.append(node.module or "")
                if node.module in ("hotspot", "calib"):
                    names += [f"{node.module}.{a.name}" for a in node.names]
    return names


@pytest.mark.parametrize("path", modules(), ids=lambda p: str(p.relative_to(ROOT)))
def test_imports_go_one_way(path: Path) -> None:
    here = room(path)
    if here in ("__init__", "__main__", "calib"):
        return
    assert here in FLOORS, f"{path}: a room that design does not know"
    for name in imported(path):
        parts = name.split(".")
        assert parts[0] != "calib", f"{path} imports calib"
        if parts[0] != "hotspot" or len(parts) == 1 or parts[1] == "__version__":
            continue
        there = parts[1]
        assert there in FLOORS, f"{path} imports unknown room {there}"
        if there == here:
            continue
        same_floor_allowed = FLOORS[here] == FLOORS[there] and FLOORS[here] != 3
        assert FLOORS[there] < FLOORS[here] or same_floor_allowed, f"{path} imports {name}"


def test_rooms_of_one_floor_have_no_cycle() -> None:
    edges: dict[str, set[str]] = {}
    for path in modules():
        here = room(path)
        for name in imported(path):
            parts = name.split(".")
            if parts[0] == "hotspot" and len(parts) > 1 and parts[1] in FLOORS and parts[1] != here:
                edges.setdefault(here, set()).add(parts[1])
    done: set[str] = set()

    def visit(node: str, path: tuple[str, ...]) -> None:
        assert node not in path, " -> ".join([*path, node])
        if node in done:
            return
        for other in sorted(edges.get(node, ())):
            visit(other, (*path, node))
        done.add(node)

    for start in sorted(edges):
        visit(start, ())


@pytest.mark.parametrize("path", modules(), ids=lambda p: str(p.relative_to(ROOT)))
def test_outside_libraries_enter_by_their_door(path: Path) -> None:
    here = room(path)
    for name in imported(path):
        top = name.split(".")[0]
        if top in DOORS:
            assert here in DOORS[top], f"{path} imports {top}"


@pytest.mark.parametrize("path", modules(), ids=lambda p: str(p.relative_to(ROOT)))
def test_modules_stay_short(path: Path) -> None:
    lines = len(path.read_text(encoding="utf-8").splitlines())
    assert lines <= MAX_LINES, f"{path} has {lines} lines"


def test_top_level_holds_only_what_is_agreed() -> None:
    allowed = {
        "README.md", "DEVELOPERS.md", "pyproject.toml", "hotspot", "calib", "sample_frames",
        "tests", "streamlit_app.py",
    }  # fmt: skip
    private = {"build", "dist", "hotspot-evidence"}
    found = {p.name for p in ROOT.iterdir() if not p.name.startswith(".")}
    assert found - allowed - private - {n for n in found if n.endswith(".egg-info")} == set()
