"""A group of commands typed by itself lists them and does not complain."""

from __future__ import annotations

import importlib

import pytest

from hotspot.cli.main import COMMANDS, main

GROUPS = [
    name
    for name, (module, _) in COMMANDS.items()
    if len(importlib.import_module(module).app.registered_commands) > 1
]


@pytest.mark.parametrize("name", sorted({*GROUPS, "evidence"}))
def test_a_group_by_itself_shows_its_help(name: str, capfd: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as stop:
        main([name])
    shown = capfd.readouterr()
    assert not stop.value.code
    assert shown.err == ""
    assert f"hotspot {name} [OPTIONS] COMMAND" in shown.out


def test_a_wrong_word_in_a_group_is_one_line(capfd: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as stop:
        main(["job", "nonsense"])
    shown = capfd.readouterr()
    assert stop.value.code == 2
    assert shown.err.count("\n") == 1
    assert "nonsense" in shown.err
