"""`hotspot evidence check`: yes, no, and unusable have their own exit codes."""

from __future__ import annotations

import json
import shutil

import numpy as np
import pytest
from PIL import Image, PngImagePlugin

from hotspot.cli.main import main
from hotspot.evidence.metadata import to_json, to_png

FACTS = {"format": 1, "verdict": "no hot spot", "suspects": [], "recording": {"name": "r"}}
PIXELS = np.arange(9 * 14 * 3, dtype=np.uint8).reshape(9, 14, 3)


@pytest.fixture
def picture(tmp_path):
    path = tmp_path / "evidence.png"
    path.write_bytes(to_png(PIXELS, facts=FACTS, title="t"))
    (tmp_path / "finding.json").write_text(to_json(FACTS))
    return path


def check(*arguments) -> int:
    with pytest.raises(SystemExit) as stop:
        main(["evidence", "check", *map(str, arguments)])
    return int(stop.value.code or 0)


def test_yes(picture, capsys):
    assert check(picture) == 0
    assert "unaltered" in capsys.readouterr().out
    assert check(picture, "--json") == 0
    assert json.loads(capsys.readouterr().out)["belongs"] is True


def test_another_finding(picture, capsys):
    other = {**FACTS, "verdict": "hot spot"}
    (picture.parent / "finding.json").write_text(to_json(other))
    assert check(picture) == 1
    assert "does NOT belong" in capsys.readouterr().out


def test_a_changed_pixel(picture, capsys):
    with Image.open(picture) as opened:
        text, pixels = opened.text, np.asarray(opened).copy()
    pixels[0, 0] += 1
    info = PngImagePlugin.PngInfo()
    for key, value in text.items():
        info.add_itxt(key, value)
    Image.fromarray(pixels).save(picture, pnginfo=info)
    assert check(picture) == 1
    assert "ALTERED" in capsys.readouterr().out


def test_alone_it_is_only_held_against_its_seal(picture, tmp_path, capsys):
    alone = tmp_path / "elsewhere" / "evidence.png"
    alone.parent.mkdir()
    shutil.copy(picture, alone)
    assert check(alone) == 0
    assert "no finding.json" in capsys.readouterr().out


@pytest.mark.parametrize("content", ["", "[1]", "{"])
def test_a_finding_that_is_none(picture, capsys, content):
    (picture.parent / "finding.json").write_text(content)
    assert check(picture) == 2
    shown = capsys.readouterr()
    assert shown.out == ""
    assert len(shown.err.strip().splitlines()) == 1
    assert "finding.json" in shown.err


def test_no_picture(tmp_path, capsys):
    assert check(tmp_path / "none.png") == 2
    assert "none.png" in capsys.readouterr().err
