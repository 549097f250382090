"""Facts inside the pictures: read back whole, and a slip is seen."""

from __future__ import annotations

import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image, PngImagePlugin

from hotspot.errors import InputError
from hotspot.evidence.metadata import build_facts, check_picture, to_json, to_png, to_xmp
from tests.evidence import scene

PIXELS = np.random.default_rng(3).integers(0, 256, (9, 14, 3), dtype=np.uint8)


@pytest.fixture(scope="module")
def facts(tmp_path_factory):
    board = scene.make_board(tmp_path_factory.mktemp("board"))
    return build_facts(scene.make_finding(board), scene.make_recording(), board=board)


def test_a_saved_picture_knows_its_finding(facts, tmp_path):
    path = tmp_path / "evidence.png"
    path.write_bytes(to_png(PIXELS, facts=facts, title="Ω 22.5 °C, Δ"))
    check = check_picture(path, finding=json.loads(to_json(facts)))
    assert check.unaltered
    assert check.belongs
    assert check.facts == facts
    assert check.facts["suspects"][0]["ref"] == "C17"


def test_same_input_same_bytes(facts):
    assert to_png(PIXELS, facts=facts, title="t") == to_png(PIXELS, facts=facts, title="t")


def test_xmp_is_read_by_pillow(facts, tmp_path):
    path = tmp_path / "evidence.png"
    path.write_bytes(to_png(PIXELS, facts=facts, title="A < B & C"))
    with Image.open(path) as picture:
        described = picture.getxmp()["xmpmeta"]["RDF"]["Description"]
    assert described["verdict"] == "hot spot"
    assert described["rail"] == "VSENSE"
    assert described["CreateDate"] == "2026-11-20T10:14:00+01:00"
    assert described["title"]["Alt"]["li"]["text"] == "A < B & C"


def test_a_changed_pixel_breaks_the_seal(facts, tmp_path):
    path = tmp_path / "evidence.png"
    path.write_bytes(to_png(PIXELS, facts=facts, title="t"))
    with Image.open(path) as picture:
        text, pixels = picture.text, np.asarray(picture).copy()
    pixels[4, 5, 1] ^= 1
    info = PngImagePlugin.PngInfo()
    for key, value in text.items():
        info.add_itxt(key, value)
    Image.fromarray(pixels).save(path, pnginfo=info)
    assert not check_picture(path).unaltered


def test_changed_facts_break_the_seal_and_no_longer_belong(facts, tmp_path):
    path = tmp_path / "evidence.png"
    path.write_bytes(to_png(PIXELS, facts=facts, title="t"))
    with Image.open(path) as picture:
        text, pixels = picture.text, np.asarray(picture)
    info = PngImagePlugin.PngInfo()
    for key, value in text.items():
        info.add_itxt(key, value.replace("C17", "C18") if key == "Finding" else value)
    Image.fromarray(pixels).save(path, pnginfo=info)
    check = check_picture(path, finding=facts)
    assert not check.unaltered
    assert check.belongs is False


def test_a_plain_save_elsewhere_is_explained(tmp_path):
    path = tmp_path / "copy.png"
    Image.fromarray(PIXELS).save(path)
    with pytest.raises(InputError, match=r"copy\.png: carries no finding"):
        check_picture(path)


@pytest.mark.parametrize("content", [b"", b"JFIF", b"\x89PNG\r\n\x1a\n" + b"\0" * 40])
def test_no_picture_is_one_clear_line(tmp_path, content):
    path = tmp_path / "evidence.png"
    path.write_bytes(content)
    with pytest.raises(InputError, match=r"evidence\.png: cannot be read as a PNG"):
        check_picture(path)


def test_a_truncated_picture_is_one_clear_line(facts, tmp_path):
    path = tmp_path / "evidence.png"
    whole = to_png(PIXELS, facts=facts, title="t")
    path.write_bytes(whole[: len(whole) - 60])
    with pytest.raises(InputError, match=r"evidence\.png: "):
        check_picture(path)


def test_json_stays_strict():
    text = to_json({"a": float("nan"), "b": [float("inf"), 1.5], "c": {"d": -float("inf")}})
    assert json.loads(text) == {"a": None, "b": [None, 1.5], "c": {"d": None}}


@settings(max_examples=40, deadline=None)
@given(st.text(max_size=40))
def test_any_title_and_name_survive(title):
    title = title.replace("\0", "").encode("utf-8", "ignore").decode()
    facts = {"verdict": "no hot spot", "recording": {"name": title}, "made_by": "hotspot"}
    assert to_png(PIXELS, facts=facts, title=title)
    # The XMP specification wants well-formed XML 1.0; control characters are not allowed in it.
    from defusedxml.ElementTree import fromstring

    body = to_xmp(facts, title=title).split("?>", 1)[1].rsplit("<?", 1)[0]
    assert fromstring(body) is not None
