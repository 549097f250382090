"""`calib` stands on the lower floors of `hotspot` and computes with few libraries."""

from __future__ import annotations

import ast
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
ROOMS = {
    "errors", "checks", "frame", "profile", "radiometry", "heat", "files", "evidence", "practice",
    "__version__",
}  # fmt: skip
LIBRARIES = {"numpy", "scipy", "cv2", "matplotlib", "typer", "rich", "calib", "hotspot"}


def imported(path: Path) -> set[str]:
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {a.name for a in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module == "hotspot":
            names |= {f"hotspot.{a.name}" for a in node.names}
        elif isinstance(node, ast.ImportFrom):
            names.add(node.module or "")
    return names


@pytest.mark.parametrize("path", sorted((ROOT / "calib").rglob("*.py")), ids=lambda p: p.name)
def test_calib_imports_only_what_it_may(path: Path) -> None:
    for name in imported(path):
        parts = name.split(".")
        if parts[0] in sys.stdlib_module_names:
            continue
        assert parts[0] in LIBRARIES, f"{path} imports {name}"
        if parts[0] == "hotspot":
            assert parts[1] in ROOMS, f"{path} imports {name}"
        if parts[0] in ("typer", "rich"):
            assert path.parent.name == "cli", f"{path} imports {name}"
