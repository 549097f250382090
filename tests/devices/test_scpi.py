"""The exact conversation with a supply, and what is said last when the wire is cut."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hotspot.devices.dialect import Dialect, load_dialect
from hotspot.devices.link import ScriptedLink
from hotspot.devices.scpi import ScpiSupply
from hotspot.devices.supply import Bounds, ManualSupply, energised
from hotspot.errors import InputError, SupplyError

BOUNDS = Bounds(max_v=0.9, max_a=1.5, trip_v=1.0, trip_a=1.8)
TRIPS = Dialect(set_over_volts="VOLT:PROT {volts:.3f}", set_over_amps="CURR:PROT {amps:.3f}")
OFF = [("OUTP OFF", None), ("OUTP?", "0")]
CONVERSATION = [
    ("*IDN?", "BENCH,1,2,3"),
    *OFF,  # open
    *OFF,  # energised: off first
    ("VOLT 0.900", None),
    ("CURR 1.500", None),
    ("SYST:ERR?", '0,"No error"'),
    ("VOLT?", "0.900"),
    ("CURR?", "1.500"),
    ("VOLT:PROT 1.000", None),
    ("CURR:PROT 1.800", None),
    ("SYST:ERR?", '+0,"No error"'),
    ("OUTP ON", None),
    ("OUTP?", "ON"),
    ("MEAS:VOLT?", "8.981E-01"),
    ("MEAS:CURR?", "0.5 A"),
    ("OUTP?", "1"),
    *OFF,  # way out
    *OFF,  # close
]


def converse(link: ScriptedLink, dialect: Dialect = TRIPS) -> None:
    supply = ScpiSupply(link, dialect=dialect, bounds=BOUNDS, wait=lambda _: None)
    try:
        supply.open()
        with energised(supply, volts=0.9, amps=1.5):
            read = supply.read()
            assert (read.volts, read.amps, read.on) == (0.8981, 0.5, True)
    finally:
        supply.close()


def test_exact_conversation() -> None:
    link = ScriptedLink(CONVERSATION)
    converse(link)
    assert link.leftovers == ()


@pytest.mark.parametrize("cut", range(len(CONVERSATION)))
def test_wire_cut_at_every_message_ends_with_output_off(cut: int) -> None:
    link = ScriptedLink(CONVERSATION, cut_after=cut)
    with pytest.raises(SupplyError, match=r"output state unknown.*by hand"):
        converse(link)
    assert link.attempted[-1] == "OUTP OFF"
    assert link.attempted.count("OUTP OFF") >= 4


@settings(max_examples=200, deadline=None, derandomize=True)
@given(volts=st.floats(allow_nan=True), amps=st.floats(allow_nan=True))
def test_nothing_beyond_the_bounds_is_ever_sent(volts: float, amps: float) -> None:
    link = ScriptedLink(cut_after=0)
    supply = ScpiSupply(link, dialect=TRIPS, bounds=BOUNDS)
    if 0.0 <= volts <= 0.9 and 0.0 <= amps <= 1.5:
        with pytest.raises(SupplyError):
            supply.set_point(volts, amps)
        assert link.attempted
    else:
        with pytest.raises(ValueError, match=r"(volts|amps) must be in 0 to"):
            supply.set_point(volts, amps)
        assert link.attempted == []


@pytest.mark.parametrize(
    ("answer", "words"),
    [("0.800", "reads back 0.8 V"), ("", "no number"), ("0,900", "no number"),
     ("nan", "no number"), ("9.9E37", "reads back"), ("\x7f##", "no number")],
)  # fmt: skip
def test_read_back_that_differs_is_an_error(answer: str, words: str) -> None:
    script = [("VOLT 0.900", None), ("CURR 1.500", None), ("SYST:ERR?", "0"), ("VOLT?", answer)]
    supply = ScpiSupply(ScriptedLink(script), dialect=TRIPS, bounds=BOUNDS)
    with pytest.raises(SupplyError, match=words):
        supply.set_point(0.9, 1.5)


def test_refusal_of_the_supply_is_said() -> None:
    script = [("VOLT 0.900", None), ("CURR 1.500", None), ("SYST:ERR?", '-222,"Out of range"')]
    supply = ScpiSupply(ScriptedLink(script), dialect=TRIPS, bounds=BOUNDS)
    with pytest.raises(SupplyError, match=r"refused 0\.9 V, 1\.5 A: -222"):
        supply.set_point(0.9, 1.5)


def test_own_timer_is_armed_with_the_length_of_the_run() -> None:
    link = ScriptedLink([("OUTP:TIM 50", None), ("SYST:ERR?", "0")])
    words = Dialect(set_timer="OUTP:TIM {seconds:.0f}")
    ScpiSupply(link, dialect=words, bounds=BOUNDS, on_time_s=50.0).arm_trips()
    assert link.leftovers == ()


def test_between_is_called_between_two_questions_and_may_break_off() -> None:
    link = ScriptedLink([("MEAS:VOLT?", "0.1")])

    def enough() -> None:
        raise RuntimeError("camera says stop")

    with pytest.raises(RuntimeError, match="camera"):
        ScpiSupply(link, dialect=TRIPS, bounds=BOUNDS).read(enough)
    assert link.attempted == ["MEAS:VOLT?"]


def test_stuck_output_is_tried_again_and_then_said() -> None:
    script = [("OUTP OFF", None), ("OUTP?", "1")] * 3 + [("OUTP OFF", None)]
    link = ScriptedLink(script)
    with pytest.raises(SupplyError, match=r"output state unknown \(it still says on\)"):
        ScpiSupply(link, dialect=TRIPS, bounds=BOUNDS, wait=lambda _: None).switch_off()
    assert link.leftovers == ()


def test_dialect_file(tmp_path) -> None:
    path = tmp_path / "words.toml"
    path.write_text(
        'name = "two outputs"\nprepare = ["SYST:REM", "INST:NSEL 2"]\n'
        'set_volts = "SOUR:VOLT {volts:.4f}"\ntimeout_s = 1\noutput_on = "OUTP 1"\n'
    )
    dialect = load_dialect(path)
    assert dialect.prepare == ("SYST:REM", "INST:NSEL 2")
    assert dialect.set_volts.format(volts=0.5) == "SOUR:VOLT 0.5000"
    assert dialect.timeout_s == 1.0
    assert dialect.set_amps == Dialect().set_amps


@pytest.mark.parametrize(
    ("text", "words"),
    [("volts = 1", "'volts' is not known"), ("set_volts = 3", "must be of type str"),
     ('set_volts = "VOLT"', "no place"), ('set_amps = "CURR {volts}"', "not usable"),
     ('set_volts = "VOLT {volts:q}"', "not usable"), ('output_off = ""', "must not be empty"),
     ("name = ", "cannot read"), ("timeout_s = 0.0", "0 to 10"), ("timeout_s = nan", "0 to 10"),
     ("baud_rate = true", "type int")],
)  # fmt: skip
def test_bad_dialect_says_key_and_cure(tmp_path, text: str, words: str) -> None:
    path = tmp_path / "words.toml"
    path.write_text(text)
    with pytest.raises(InputError, match=words) as caught:
        load_dialect(path)
    assert "words.toml" in caught.value.sentence
    assert "\n" not in caught.value.sentence


def test_manual_supply_gives_cues_and_keeps_the_bounds() -> None:
    said: list[str] = []

    def cue(text: str) -> bool:
        said.append(text)
        return True

    with energised(ManualSupply(cue, bounds=BOUNDS), volts=0.5, amps=1.0) as supply:
        assert supply.read().on is True
        assert supply.read().volts is None
    assert said[0] == said[-1] == "Output OFF"
    assert said[1] == "Set 0.5 V and a current limit of 1 A"
    assert said[-2] == "Output ON"
    with pytest.raises(ValueError, match=r"volts must be in 0 to 0\.9"):
        ManualSupply(cue, bounds=BOUNDS).set_point(2.0, 1.0)


def test_manual_supply_not_confirmed_off_is_unknown() -> None:
    supply = ManualSupply(lambda _: False, bounds=BOUNDS)
    with pytest.raises(SupplyError, match="output state unknown"):
        supply.switch_off()
