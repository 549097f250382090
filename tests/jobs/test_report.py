import io
import shutil
import subprocess
from datetime import UTC, datetime

import pytest
from PIL import Image
from pypdf import PdfReader

from hotspot.errors import InputError
from hotspot.evidence.report import HandOver, Picture, Sheet, build_report


def photo(kind="JPEG", size=(90, 60), mode="RGB", **options) -> bytes:
    out = io.BytesIO()
    Image.new(mode, size, 90 if mode in ("L", "I;16") else None).save(out, kind, **options)
    return out.getvalue()


def hand_over(**changes) -> HandOver:
    whole = {
        "title": "Repair report, job 12",
        "facts": (("Customer", "K-1041"), ("Complaint", "fällt aus, 5 Ω, Δ 3 °C, µ, Привет")),
        "result": "Repaired: C17 replaced",
        "result_detail": ("VSYS reads 0.340 V: healthy (was short, 0.001 V)",),
        "before": (Picture("Thermal finding", photo("PNG")), Picture("board.jpg", photo())),
        "after": (Picture("after.png", photo("PNG", mode="RGBA")),),
        "sheets": (
            Sheet(
                "Readings to ground", ("Rail", "Before"), tuple((f"V{n}", "OL") for n in range(80))
            ),
            Sheet("Nothing here", ("A",), ()),
        ),
        "lists": (("Cautions", ("Lithium cells can burn.",)),),
        "made_at": datetime(2026, 3, 1, 9, 30, tzinfo=UTC),
    }
    return HandOver(**{**whole, **changes})


def text_of(data: bytes) -> str:
    return "\n".join(page.extract_text() for page in PdfReader(io.BytesIO(data)).pages)


def test_same_input_same_bytes_and_other_input_other_bytes() -> None:
    assert build_report(hand_over()) == build_report(hand_over())
    assert build_report(hand_over()) != build_report(hand_over(result="Not repaired"))


def test_text_can_be_selected_in_every_alphabet_of_the_type() -> None:
    text = text_of(build_report(hand_over()))
    for words in ("Ω", "Δ 3 °C", "µ", "Привет", "Repaired: C17 replaced", "Lithium", "V79"):
        assert words in text
    assert "Nothing here" not in text


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="pdftotext is not installed")
def test_another_reader_sees_the_same_text(tmp_path) -> None:
    (tmp_path / "r.pdf").write_bytes(build_report(hand_over()))
    seen = subprocess.run(
        ["pdftotext", tmp_path / "r.pdf", "-"], capture_output=True, text=True, check=True
    ).stdout
    assert "fällt aus, 5 Ω, Δ 3 °C" in seen


def test_pictures_dates_and_page_numbers_are_in_it() -> None:
    reader = PdfReader(io.BytesIO(build_report(hand_over())))
    assert sum(len(page.images) for page in reader.pages) == 3
    assert reader.metadata.creation_date == datetime(2026, 3, 1, 9, 30, tzinfo=UTC)
    assert reader.metadata.title == "Repair report, job 12"
    last = len(reader.pages)
    assert last > 2
    assert f"page {last} of {last}" in reader.pages[-1].extract_text()
    width, height = reader.pages[0].mediabox.width, reader.pages[0].mediabox.height
    # ISO 216: A4 is 210 x 297 mm.
    assert (float(width) * 25.4 / 72, float(height) * 25.4 / 72) == pytest.approx(
        (210, 297), abs=0.1
    )


def test_a_photo_taken_sideways_is_turned_upright() -> None:
    exif = Image.Exif()
    exif[0x0112] = 6  # EXIF 2.3: the camera was turned, 90° clockwise to view
    data = build_report(hand_over(before=(Picture("x", photo(exif=exif)),), after=()))
    image = PdfReader(io.BytesIO(data)).pages[0].images[0].image
    assert image.size == (60, 90)


def test_a_large_photo_is_made_smaller() -> None:
    data = build_report(hand_over(before=(Picture("x", photo(size=(4000, 3000))),), after=()))
    assert PdfReader(io.BytesIO(data)).pages[0].images[0].image.size == (1600, 1200)


def test_a_broken_picture_is_named() -> None:
    with pytest.raises(InputError, match=r"after\.png"):
        build_report(hand_over(after=(Picture("after.png", b"no picture"),)))
    cut = photo("PNG", size=(400, 300))[:200]
    with pytest.raises(InputError, match=r"cut\.png"):
        build_report(hand_over(after=(Picture("cut.png", cut),)))


def test_very_long_words_and_signs_outside_the_type_do_not_break_it() -> None:
    rows = (("x" * 400, "漢字 \u0000 \ud7ff"),)
    data = build_report(hand_over(sheets=(Sheet("Long", ("A", "B"), rows),), result="y" * 300))
    assert data.startswith(b"%PDF")


def test_an_almost_empty_job_has_a_report() -> None:
    data = build_report(
        hand_over(
            facts=(), result="In work", result_detail=(), before=(), after=(), sheets=(), lists=()
        )
    )
    assert "In work" in text_of(data)
