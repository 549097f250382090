import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hotspot.errors import InputError
from hotspot.rails.reading import Mode, Polarity, parse_line, parse_reading


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("0.34", 0.34), (".238", 0.238), ("0,34", 0.34), (",238", 0.238), ("340m", 0.34),
        ("340 mV", 0.34), ("340", 0.34), ("0.000 beep", 0.0), ("0.34V", 0.34), ("+0.5", 0.5),
        ("0.238 V", 0.238), ("−0.412", -0.412), ("beeps", 0.0), ("short", 0.0), ("2 beep", 2.0),
    ],
)  # fmt: skip
def test_diode_text_is_read_in_volts(text: str, value: float) -> None:
    reading = parse_reading(text)
    assert reading.mode is Mode.DIODE
    assert reading.value == pytest.approx(value)


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("2.1k", 2100.0), ("2.1 kΩ", 2100.0), ("0.3ohm", 0.3), ("340mΩ", 0.34), ("12 R", 12.0),
        ("1.5M", 1.5e6), ("1.5 Mohm", 1.5e6), ("2meg", 2e6), ("0,5 ohms", 0.5), ("2.1K", 2100.0),
    ],
)  # fmt: skip
def test_a_unit_in_the_text_decides_the_mode(text: str, value: float) -> None:
    reading = parse_reading(text)
    assert reading.mode is Mode.OHM
    assert reading.value == pytest.approx(value)


@pytest.mark.parametrize(
    "text",
    [
        "OL",
        "0L",
        "O.L",
        "0.L",
        ".OL",
        "OL.",
        "ol",
        "o.l",
        "open",
        "∞",
        "inf",
        "-OL",
        "OL V",
        "O.L MΩ",
        "OL kohm",
        "OL no beep",
    ],
)
def test_over_range_in_every_spelling(text: str) -> None:
    assert parse_reading(text).is_open
    assert parse_reading(text, mode=Mode.OHM).is_open
    assert parse_reading(text).shown == "OL"


def test_a_bare_number_takes_the_mode_of_the_meter() -> None:
    assert parse_reading("340", mode=Mode.OHM).value == 340.0
    assert parse_reading("340m", mode=Mode.OHM).value == pytest.approx(0.34)


def test_the_leads_are_taken_off_ohms_only() -> None:
    assert parse_reading("0.5 ohm", lead_ohm=0.2).value == pytest.approx(0.3)
    assert parse_reading("0.1 ohm", lead_ohm=0.2).value == 0.0
    assert "leads" in parse_reading("0.1 ohm", lead_ohm=0.2).notes[0]
    assert parse_reading("0.5", lead_ohm=0.2).value == 0.5
    with pytest.raises(ValueError, match=r"lead_ohm must be >= 0, got -1"):
        parse_reading("1", lead_ohm=-1)


def test_remarks_beside_the_number_are_understood() -> None:
    assert not parse_reading("0.34 no beep").beep
    assert parse_reading("0.34 no beep").value == 0.34
    assert parse_reading("~0.34").value == parse_reading("0.34?").value == 0.34
    assert "settles" in parse_reading("2.1k still rising").notes[0]
    for text in ("-OL", "OL V", "O.L MΩ", "OL kohm", "OL no beep"):
        assert parse_reading(text).is_open, text


def test_doubtful_text_is_noted() -> None:
    assert "over-range on some meters" in parse_reading("1.").notes[0]
    assert "millivolts" in parse_reading("412").notes[0]
    assert "charge" in parse_reading("-3 ohm").notes[0]
    assert parse_reading("beep").beep
    assert not parse_reading("0.34").notes


@pytest.mark.parametrize(
    "text", ["", "  ", "abc", "1.2.3", "0.3 A", "12.5", "k", "--", "0x1", "nan", "1e400"]
)
def test_what_cannot_be_read_is_refused_in_one_line(text: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_reading(text, target="VSYS")
    assert caught.value.sentence.startswith("VSYS: ")
    assert caught.value.cure


@pytest.mark.parametrize(
    "line", ["VSYS 0.002 beep", "VSYS=0.002 beep", "VSYS: 0.002beep", "  VSYS =  .002  beeps"]
)
def test_lines_name_the_rail(line: str) -> None:
    reading = parse_line(line, polarity=Polarity.RED_ON_GROUND)
    assert (reading.target, reading.value) == ("VSYS", 0.002)
    assert reading.polarity is Polarity.RED_ON_GROUND


def test_a_line_may_name_its_mode() -> None:
    assert parse_line("VCORE=ohm mode 12").mode is Mode.OHM
    assert parse_line("VCORE=diode 0.1", mode=Mode.OHM).mode is Mode.DIODE
    with pytest.raises(InputError, match="RAIL=VALUE"):
        parse_line("VSYS")


@given(st.floats(0.0, 1e8), st.sampled_from(["", "ohm", "Ω", " ohms"]))
def test_any_plain_ohm_value_is_read_exactly(value: float, unit: str) -> None:
    text = f"{value:.6f}{unit}"
    assert parse_reading(text, mode=Mode.OHM).value == float(f"{value:.6f}")


@given(st.text(max_size=12))
def test_no_text_gives_anything_but_a_reading_or_one_line(text: str) -> None:
    try:
        outcome = parse_reading(text).value
    except InputError as error:
        outcome = error.sentence
    assert "\n" not in outcome if isinstance(outcome, str) else not math.isnan(outcome)
