"""IPC-D-356 records by column, with the cuts and escapes of real writers."""

from __future__ import annotations

import pytest

from hotspot.errors import BoardError
from hotspot.files.netlists import parse_netlist

# An invented card; its numbers were worked out by hand from the columns of IPC-D-356A.
CARD = """P  JOB   QX77CARD
P  UNITS CUST 0
C  invented data
327P0V9_CORE        C112  -1          A01X+012500Y+008000X0220Y0250R000 S2
327GND              C112  -2          A01X+012870Y+008000X0220Y0250R000 S2
327P0V9_CORE        L4    -2          A01X+014250Y+008150X0900Y1100R090 S2
317GND              VIA        MD0118PA00X+012870Y+007400X0240Y0000R000 S3
317P5V_IN           J2    -1    D0394PA00X+000500Y-001200X0700Y0000R000 S0
367N/C              H1          D1260UA00X+000250Y+000250X1260Y0000R000 S0
999
327GND              C9    -2          A01X+012870Y+008000X0220Y0250R000 S2
"""


def test_columns_are_read() -> None:
    netlist = parse_netlist(CARD, where="card")
    assert len(netlist.pads) == 5
    assert netlist.references == ("C112", "L4", "J2")
    c112, _, l4, via, j2 = netlist.pads
    assert (c112.x_mm, c112.y_mm) == pytest.approx((31.75, 20.32), rel=1e-9)
    assert (c112.width_mm, c112.pin, c112.access) == (pytest.approx(0.5588, rel=1e-9), "1", 1)
    assert (l4.rotation_deg, l4.height_mm) == (90.0, pytest.approx(2.794))
    assert via.is_via
    assert via.through
    assert via.width_mm == via.height_mm == pytest.approx(0.6096)  # size y of 0: a round pad
    assert (j2.y_mm, j2.net, j2.through) == (pytest.approx(-3.048, rel=1e-9), "P5V_IN", True)
    assert netlist.warnings == ()


def test_metric_units_and_missing_units() -> None:
    metric = parse_netlist(CARD.replace("CUST 0", "CUST 1"), where="card")
    assert metric.pads[0].x_mm == pytest.approx(12.5)
    silent = parse_netlist(CARD.replace("P  UNITS CUST 0\n", ""), where="card")
    assert silent.pads[0].x_mm == pytest.approx(31.75)
    assert "UNITS" in silent.warnings[0]


def test_a_long_reference_shifts_the_columns() -> None:
    line = "327GND              LONGREF12-1          A01X+012500Y+008000X0220Y0250R000 S2\n"
    pad = parse_netlist(line, where="card").pads[0]
    assert (pad.ref, pad.pin, pad.x_mm) == ("LONGREF12", "1", pytest.approx(31.75))


def test_aliases_escapes_and_continuations() -> None:
    text = (
        "P  UNITS CUST 0\nP  NNAME1  A_VERY_LONG_NET_NAME\n0  _INDEED\n"
        "327NNAME1          C1    -1          A01X+000100Y+000100X0220Y0250R000 S2\n"
        "327NET{SLASH}A     C1    -2          A01X+000200Y+000100X0220Y0250R000 S2\n"
    )
    assert parse_netlist(text, where="t").nets == ("A_VERY_LONG_NET_NAME_INDEED", "NET/A")


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("", "holds no IPC-D-356 record"),
        ("P  UNITS CUST 7\n" + CARD, "UNITS 'CUST 7' is not known"),
        (CARD.replace("X+012500", "X+0125 x"), "line 4"),
        ("hello\n" * 50, "holds no IPC-D-356 record"),
    ],
)
def test_damage_is_named(text: str, expected: str) -> None:
    with pytest.raises(BoardError) as caught:
        parse_netlist(text, where="file")
    assert expected in caught.value.sentence
