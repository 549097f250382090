"""The documents say what the program does, and nothing that it does not."""

from __future__ import annotations

import ast
import io
import os
import re
import subprocess
import sys
import tomllib
from contextlib import redirect_stdout
from functools import cache
from pathlib import Path
from unittest import mock

import pytest

from hotspot.cli.main import COMMANDS, main

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
CI = (ROOT / ".ci" / "run").read_text(encoding="utf-8").replace('pip" install', "pip install")
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))


@cache
def shown_help(*command: str) -> str:
    """The help of a command, asked for in this process: a new one each time takes minutes."""
    shown = io.StringIO()
    wide = mock.patch.dict(os.environ, COLUMNS="120")  # narrow help cuts option names
    with wide, redirect_stdout(shown), pytest.raises(SystemExit) as stop:
        main([*command, "--help"])
    assert not stop.value.code, command
    return shown.getvalue()


@pytest.mark.parametrize("command", sorted(COMMANDS))
def test_every_command_is_documented_and_has_help(command: str) -> None:
    assert re.search(rf"^### `hotspot {command}", README, re.M), f"README lacks {command}"
    assert len(shown_help(command).split("\n\n")) >= 2


def test_every_command_named_in_the_documents_exists() -> None:
    text = README + DEVELOPERS
    named = set(re.findall(r"(?:`|&& )hotspot ([a-z]+)\b", text))
    for block in re.findall(r"^```\n(.*?)^```", text, re.M | re.S):
        named |= set(re.findall(r"^hotspot ([a-z]+)\b", block, re.M))
    assert named, "no command found: the pattern is broken"
    assert named <= set(COMMANDS)


def test_options_in_the_readme_exist() -> None:
    for command in COMMANDS:
        section = re.search(rf"^### `hotspot {command}.*?(?=^##)", README + "\n## ", re.M | re.S)
        assert section is not None
        wanted = set(re.findall(r"--[a-z][a-z-]+", section.group()))
        helps = shown_help(command)
        for sub in re.findall(rf"hotspot {command} ([a-z]+)", section.group()):
            helps += shown_help(command, sub)
        missing = {option for option in wanted if option not in helps}
        assert not missing, f"{command}: README names {missing}"


def test_python_commands_in_the_documents_name_modules_that_exist() -> None:
    for module in re.findall(r"python -m ([a-z_.]+)", README + DEVELOPERS):
        if module in ("venv", "pip", "hotspot", "calib"):
            continue
        path = ROOT / Path(*module.split("."))
        assert path.with_suffix(".py").is_file() or (path / "__main__.py").is_file(), module


def test_pictures_and_links_in_the_documents_exist() -> None:
    for text in (README, DEVELOPERS):
        for target in re.findall(r"\]\(([^)#]+)\)", text):
            if not target.startswith(("http:", "https:")):
                assert (ROOT / target).exists(), target


def test_the_readme_gives_the_two_commands() -> None:
    assert "pip install . && hotspot demo" in README
    assert 'pip install ".[test]" && pytest' in README
    extras = PROJECT["project"]["optional-dependencies"]
    named = re.findall(r"pip install [^\n`]*\.\[([a-z]+)\]", README + DEVELOPERS + CI)
    assert set(named) >= {"test", "dev"}
    assert set(named) <= set(extras)
    assert PROJECT["project"]["scripts"]["hotspot"] == "hotspot.cli:main"


def test_the_readme_picture_is_small() -> None:
    assert (ROOT / "sample_frames" / "evidence.jpg").stat().st_size <= 300_000


def test_the_version_is_the_same_in_both_places() -> None:
    import hotspot

    assert PROJECT["project"]["version"] == hotspot.__version__


def public_modules() -> list[Path]:
    return [p for top in ("hotspot", "calib") for p in sorted((ROOT / top).rglob("*.py"))]


@pytest.mark.parametrize("path", public_modules(), ids=lambda p: str(p.relative_to(ROOT)))
def test_modules_and_what_they_offer_are_described(path: Path) -> None:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    assert ast.get_docstring(tree), f"{path} has no docstring"
    for node in tree.body:
        if isinstance(node, ast.FunctionDef | ast.ClassDef) and not node.name.startswith("_"):
            assert ast.get_docstring(node), f"{path}: {node.name} has no docstring"


def test_every_room_is_on_the_map() -> None:
    rooms = {p.name for p in (ROOT / "hotspot").iterdir() if p.is_dir() and p.name[0] not in "_."}
    for room in rooms:
        assert f"{room}/" in DEVELOPERS, f"DEVELOPERS.md lacks {room}/"


def test_help_is_quick_because_nothing_heavy_is_imported() -> None:
    code = (
        "import sys\nfrom hotspot.cli.main import main\n"
        "try:\n    main(['--help'])\nexcept SystemExit:\n    pass\n"
        "heavy = {'numpy', 'scipy', 'cv2', 'matplotlib', 'streamlit', 'sqlalchemy', 'skimage'}\n"
        "print(sorted(heavy & set(sys.modules)))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, check=True
    )
    assert done.stdout.strip().splitlines()[-1] == "[]"
