"""The table of outside checks names tests that exist, leaves none out, and gives reasons."""

from __future__ import annotations

import ast
import re
from functools import cache
from pathlib import Path

import pytest

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
TABLE = (HERE / "README.md").read_text(encoding="utf-8")
NAMED = re.findall(r"(tests/[\w/]+\.py|[a-z]\w*)::(\w+)", TABLE.split("\n\n", 2)[2])


@cache
def names_in(path: Path) -> frozenset[str]:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    return frozenset(
        node.name
        for node in tree.body
        if isinstance(node, ast.FunctionDef) and node.name.startswith("test_")
    )


def place(module: str, test: str) -> tuple[Path, str]:
    if module.endswith(".py"):
        return ROOT / module, test
    return HERE / f"test_{module}.py", f"test_{test}"


def rows() -> list[tuple[str, str, str]]:
    found = re.findall(r"^\| ((?:\d+\.\d+ ?)+)\| (.*?) \| (.*?) \|$", TABLE, re.M)
    assert len(found) > 60, "no table found: the pattern is broken"
    return found


@pytest.mark.parametrize(("module", "test"), sorted(set(NAMED)))
def test_every_test_named_exists(module: str, test: str) -> None:
    path, name = place(module, test)
    assert path.is_file(), path
    assert name in names_in(path)


def test_every_row_names_a_test_or_a_reason() -> None:
    for ids, _, checked in rows():
        assert "::" in checked or re.fullmatch(r"none: \w.{15,}", checked), ids


def test_no_id_stands_twice() -> None:
    ids = [i for row in rows() for i in row[0].split()]
    assert len(ids) == len(set(ids))


def test_every_module_of_outside_checks_is_in_the_table() -> None:
    named = {place(module, test)[0] for module, test in NAMED}
    modules = {p for p in HERE.glob("test_*.py") if p != Path(__file__).resolve()}
    assert modules <= named


def test_every_folder_of_real_data_is_in_the_table() -> None:
    for folder in (ROOT / "tests" / "data").iterdir():
        if folder.is_dir() and folder.name != "corpus":
            assert f"`{folder.name}`" in TABLE, folder.name
            assert (folder / "ATTRIBUTION.md").is_file()
            assert (folder / "LICENSE").is_file()
