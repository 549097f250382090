"""Package names to body sizes, the trap of the two chip code systems included."""

from __future__ import annotations

import pytest

from hotspot.board import Kind
from hotspot.files.designators import kind_from_reference
from hotspot.files.packages import body_size_mm, chip_by_pitch_mm, chip_size_mm, is_metric_code
from hotspot.nets import is_ground_name, is_rail_name, volts_from_name


@pytest.mark.parametrize(
    ("package", "size"),
    [
        ("0402", (1.0, 0.5)),
        ("C_0402_1005Metric", (1.0, 0.5)),
        ("R0603", (1.6, 0.8)),
        ("LED-0603", (1.6, 0.8)),
        ("1005", (1.0, 0.5)),
        ("0603M", (0.6, 0.3)),
        ("LQFP-48_7x7mm_P0.5mm", (7.0, 7.0)),
        ("DFN-8-1EP_3x3mm_P0.65mm_EP1.55x2.4mm", (3.0, 3.0)),
        ("QFN50P700X700X100-49N", (7.0, 7.0)),
        ("3.3X2.9", (3.3, 2.9)),
        ("LED-SMD_L3.3-W2.8-RD", (3.3, 2.8)),
        ("X2-DFN2015-3", (2.0, 1.5)),
        ("SOT-23", (2.9, 1.3)),
        ("SOT-23-5_MC-L", (2.9, 1.6)),
        ("SOT-223-3_TabPin2", (6.5, 3.5)),
        ("D_SOD-123", (2.7, 1.6)),
        ("PinHeader_1x05_P2.54mm_Vertical", None),
        ("TerminalBlock_MKDS-1,5-3-5.08_1x03_P5.08mm", None),
        ("", None),
        ("FEATHER_PINS", None),
    ],
)
def test_sizes_by_name(package: str, size: tuple[float, float] | None) -> None:
    assert body_size_mm(package) == size


def test_a_code_of_both_systems_is_decided_by_board_or_pads() -> None:
    assert chip_size_mm("0402") == (1.0, 0.5)
    assert chip_size_mm("0402", metric=True) == (0.4, 0.2)
    assert chip_size_mm("0402", pitch_mm=0.42) == (0.4, 0.2)
    assert chip_size_mm("0402", metric=True, pitch_mm=0.96) == (1.0, 0.5)
    assert is_metric_code("C1005")
    assert not is_metric_code("C_0402_1005Metric")
    assert not is_metric_code("0402")


def test_pads_alone_tell_a_chip_but_not_a_coil() -> None:
    assert chip_by_pitch_mm(0.96, land_width_mm=0.62) == (1.0, 0.5)
    assert chip_by_pitch_mm(3.2, land_width_mm=3.7) is None
    assert chip_by_pitch_mm(30.0, land_width_mm=1.0) is None


@pytest.mark.parametrize(
    ("ref", "package", "kind"),
    [
        ("C17", "", Kind.CAPACITOR), ("R17A", "", Kind.RESISTOR), ("FB2", "0603", Kind.BEAD),
        ("L3", "", Kind.INDUCTOR), ("U$2", "SOD-123", Kind.DIODE), ("U$3", "QFN-56", Kind.IC),
        ("CDONE0", "LED-0603", Kind.DIODE), ("C_START1", "", Kind.CAPACITOR),
        ("PC1001", "", Kind.CAPACITOR), ("PQ2", "", Kind.TRANSISTOR), ("TP4", "", Kind.TEST_POINT),
        ("CR1", "", Kind.DIODE), ("E5", "", Kind.BEAD), ("VR1", "", Kind.IC), ("F1", "", Kind.FUSE),
        ("J1", "", Kind.CONNECTOR), ("Y1", "", Kind.OTHER), ("SH1", "", Kind.SHIELD),
        ("XYZZY1", "", Kind.OTHER), ("17", "", Kind.OTHER), ("D3", "0603", Kind.DIODE),
    ],
)  # fmt: skip
def test_kind_by_reference(ref: str, package: str, kind: Kind) -> None:
    assert kind_from_reference(ref, package=package) is kind


def test_net_names() -> None:
    volts = {"3V3": 3.3, "+5V": 5.0, "P0V9_CORE": 0.9, "1.8V": 1.8, "VDD_1V2": 1.2, "SDA": None,
             "FEATHER_2/1.1V": 1.1, "VBUS": None, "+3.3V": 3.3, "/PIR_3V": 3.0}  # fmt: skip
    assert {net: volts_from_name(net) for net in volts} == volts
    for net in ("3V3", "VCC", "VBAT", "+5V", "VDD_CORE"):
        assert is_rail_name(net)
    for net in ("GND", "SDA", "N/C", "NET-(U1-TS)", "CLK", "VSS", "230V"):
        assert not is_rail_name(net)
    for net in ("GND", "AGND", "PGND", "GND_A", "VSS", "/GND", "GNDA"):
        assert is_ground_name(net)
    for net in ("GNDX_DETECT_N3V", "SIGNAL", "3V3"):
        assert not is_ground_name(net) or net.startswith("GND")
