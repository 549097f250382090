"""The demo board: a water-level logger for weirs and wells, invented for this project.

Battery in at the upper left, a step-down converter, a micro-controller with its row of identical
capacitors on 3V3, a sensor input stage below, a radio under a shield can on the right.
"""

from __future__ import annotations

import numpy as np

from hotspot.board import Board, Kind, Part, Rail
from hotspot.checks import FloatArray

WIDTH_MM, HEIGHT_MM, THICKNESS_MM = 64.0, 44.0, 1.6
HOLES_MM = ((3.0, 3.0), (61.0, 3.0), (3.0, 41.0), (61.0, 41.0))
HOLE_DIAMETER_MM = 2.7

# package: body width and height in mm (chip sizes as in IEC 60115-8; the others are usual bodies)
_SIZES = {
    "0402": (1.0, 0.5), "0603": (1.6, 0.8), "0805": (2.0, 1.25), "1206": (3.2, 1.6),
    "QFN48": (7.0, 7.0), "QFN16": (3.0, 3.0), "QFN32": (5.0, 5.0), "SOT23-5": (2.9, 1.6),
    "SOT23": (2.9, 1.3), "SOIC8": (4.9, 3.9), "TSSOP16": (5.0, 4.4), "SMA": (4.3, 2.6),
    "IND-4x4": (4.0, 4.0), "IND-2520": (2.5, 2.0), "XTAL-3215": (3.2, 1.5), "TP-1.2": (1.2, 1.2),
    "CAN-16x14": (16.0, 14.0), "BAT-2": (6.0, 8.0), "TERM-4": (7.5, 14.0), "COAX": (3.4, 3.4),
    "HDR-2x5": (12.8, 5.0), "BTN-4x4": (4.2, 4.2),
}  # fmt: skip

# ref, kind, package, x mm, y mm, rotation, nets
_PARTS = """
J1   connector BAT-2     4.2  30.5   0  VBAT GND
J2   connector TERM-4    4.8  14.0   0  VSENS SENS_P SENS_N GND
J3   connector COAX     60.8  34.0   0  RF GND
J4   connector HDR-2x5  33.0   3.6   0  3V3 GND SWDIO SWCLK TX RX
F1   fuse      1206     10.6  35.8   0  VBAT VBAT_F
D1   diode     SMA      10.9  31.6  90  VBAT_F GND
L3   inductor  IND-2520 14.6  35.8   0  VBAT_F VSYS
C1   capacitor 1206     14.6  32.4   0  VSYS GND
C2   capacitor 1206     14.6  30.0   0  VSYS GND
C5   capacitor 0603     18.2  36.6   0  VSYS GND
C6   capacitor 0603     18.2  35.2   0  VSYS GND
C7   capacitor 0603     18.2  28.8   0  VSYS GND
C8   capacitor 0603     18.2  27.4   0  VSYS GND
C9   capacitor 0402     18.0  33.8   0  VSYS GND
U2   ic        QFN16    20.8  31.6   0  VSYS SW 3V3 EN FB GND
R1   resistor  0402     20.2  34.4   0  VSYS EN
R2   resistor  0402     22.0  28.9   0  3V3 FB
R3   resistor  0402     20.6  28.9   0  FB GND
L1   inductor  IND-4x4  25.6  32.4   0  SW 3V3
C3   capacitor 0805     29.4  33.6  90  3V3 GND
C4   capacitor 0805     31.4  33.6  90  3V3 GND
U1   ic        QFN48    32.6  20.4   0  3V3 1V8 GND SWDIO SWCLK TX RX SDA SCL MOSI MISO SCK
C10  capacitor 0402     28.4  26.0  90  3V3 GND
C11  capacitor 0402     29.8  26.0  90  3V3 GND
C12  capacitor 0402     31.2  26.0  90  3V3 GND
C13  capacitor 0402     32.6  26.0  90  3V3 GND
C14  capacitor 0402     34.0  26.0  90  3V3 GND
C15  capacitor 0402     35.4  26.0  90  3V3 GND
C16  capacitor 0402     28.4  14.8  90  3V3 GND
C17  capacitor 0402     29.8  14.8  90  3V3 GND
C18  capacitor 0402     31.2  14.8  90  3V3 GND
C19  capacitor 0402     32.6  14.8  90  3V3 GND
C20  capacitor 0402     34.0  14.8  90  3V3 GND
C21  capacitor 0402     35.4  14.8  90  3V3 GND
C22  capacitor 0402     27.0  22.4   0  1V8 GND
C23  capacitor 0402     27.0  20.4   0  1V8 GND
C24  capacitor 0402     27.0  18.4   0  1V8 GND
C25  capacitor 0402     38.2  22.4   0  1V8 GND
C26  capacitor 0402     38.2  20.4   0  3V3 GND
C27  capacitor 0402     38.2  18.4   0  1V8 GND
U3   ic        SOT23-5  42.0  14.6   0  3V3 1V8 GND
C30  capacitor 0603     38.8  14.8  90  3V3 GND
C31  capacitor 0603     44.9  15.2  90  1V8 GND
C32  capacitor 0402     44.8  12.8   0  1V8 GND
C33  capacitor 0402     46.6  12.8   0  1V8 GND
U5   ic        SOIC8    50.6  17.2   0  3V3 SCK MOSI MISO CS_F GND
C28  capacitor 0402     46.9  19.0  90  3V3 GND
R4   resistor  0402     46.9  16.6  90  3V3 CS_F
U7   ic        QFN16    45.4   7.2   0  3V3 SDA SCL X1 X2 GND
Y1   other     XTAL-3215 49.8  7.2   0  X1 X2
C29  capacitor 0402     45.4   9.8   0  3V3 GND
C38  capacitor 0402     49.0   9.2   0  X1 GND
C39  capacitor 0402     50.8   9.2   0  X2 GND
R5   resistor  0402     42.6   8.2   0  3V3 SDA
R6   resistor  0402     42.6   6.4   0  3V3 SCL
U6   ic        TSSOP16  19.6  17.0   0  VSENS 3V3 SDA SCL AIN0 AIN1 REF GND
C34  capacitor 0402     16.2  20.4   0  VSENS GND
C35  capacitor 0402     18.0  20.4   0  VSENS GND
C36  capacitor 0402     19.8  20.4   0  3V3 GND
C37  capacitor 0402     21.6  20.4   0  REF GND
C48  capacitor 0402     23.6  17.9  90  3V3 GND
C49  capacitor 0402     23.6  16.0  90  AIN0 GND
U8   ic        SOT23-5  14.6  10.2   0  VSENS GND SENS_P SENS_N AIN0
C50  capacitor 0402     14.6  12.2   0  VSENS GND
C51  capacitor 0402     14.6   8.2   0  AIN0 GND
R7   resistor  0402     11.4  12.0  90  SENS_P GND
R8   resistor  0402     11.4  10.2  90  SENS_N GND
R9   resistor  0402     17.4  11.2   0  AIN0 SENS_N
R10  resistor  0402     17.4   9.6   0  AIN1 GND
R11  resistor  0402     20.2  12.6   0  REF AIN1
R12  resistor  0402     22.0  12.6   0  REF GND
Q1   transistor SOT23   12.0  23.6   0  VSYS VSENS EN_S
R13  resistor  0402     12.0  21.6   0  EN_S VSYS
C52  capacitor 0805     12.0  18.4   0  VSENS GND
Q2   transistor SOT23   23.6   8.0   0  LED_K LED_C GND
R14  resistor  0402     23.6   5.8   0  LED_C TX
D2   diode     0603     20.6   8.0  90  LED_A LED_K
R15  resistor  0402     19.2   8.0  90  3V3 LED_A
FB2  bead      0805     38.4  33.8  90  3V3 VRF
C40  capacitor 0603     36.0  33.8  90  3V3 GND
SH1  shield    CAN-16x14 49.6 32.4   0  GND
U4   ic        QFN32    49.0  32.0   0  VRF RF SCK MOSI MISO GND
C41  capacitor 0402     45.2  34.6  90  VRF GND
C42  capacitor 0402     45.2  32.4  90  VRF GND
C43  capacitor 0402     45.2  30.2  90  VRF GND
C44  capacitor 0402     48.0  36.2   0  VRF GND
C45  capacitor 0402     50.0  36.2   0  VRF GND
L2   inductor  0402     53.2  33.4   0  RF RF_M
C46  capacitor 0402     53.2  31.8   0  RF_M GND
C47  capacitor 0402     49.0  28.2   0  VRF GND
SW1  other     BTN-4x4  57.6  10.4   0  RESET GND
R16  resistor  0402     54.0  12.6   0  3V3 RESET
C53  capacitor 0402     54.0  10.6   0  RESET GND
TP1  test_point TP-1.2   8.2  38.6   0  VBAT_F
TP2  test_point TP-1.2  21.0  39.4   0  VSYS
TP3  test_point TP-1.2  29.6  37.6   0  3V3
TP4  test_point TP-1.2  42.0  18.6   0  1V8
TP5  test_point TP-1.2  10.6  15.4   0  VSENS
TP6  test_point TP-1.2  38.4  38.4   0  VRF
TP7  test_point TP-1.2  24.6  38.6   0  GND
TP8  test_point TP-1.2  54.4  21.6   0  RESET
"""

_RAILS = (
    Rail("VSYS", nominal_v=3.6, max_v=5.5, healthy_ohm=9200.0, healthy_diode_v=0.47,
         inject_at_mm=(8.2, 38.6)),
    Rail("3V3", nominal_v=3.3, max_v=3.6, healthy_ohm=410.0, healthy_diode_v=0.34,
         inject_at_mm=(29.6, 37.6)),
    Rail("1V8", nominal_v=1.8, max_v=2.0, healthy_ohm=155.0, healthy_diode_v=0.29,
         inject_at_mm=(42.0, 18.6)),
    Rail("VSENS", nominal_v=3.3, max_v=5.5, healthy_ohm=2700.0, healthy_diode_v=0.51,
         inject_at_mm=(10.6, 15.4)),
    Rail("VRF", nominal_v=3.3, max_v=3.6, healthy_ohm=620.0, healthy_diode_v=0.39,
         inject_at_mm=(38.4, 38.4)),
)  # fmt: skip


def build_demo_board() -> Board:
    """Return the logger's board: parts, nets and rails in mm; no photo."""
    parts = []
    for line in _PARTS.strip().splitlines():
        ref, kind, package, x, y, rotation, *nets = line.split()
        width, height = _SIZES[package]
        parts.append(
            Part(
                ref=ref,
                kind=Kind(kind),
                package=package,
                x_mm=float(x),
                y_mm=float(y),
                width_mm=width,
                height_mm=height,
                rotation_deg=float(rotation),
                nets=tuple(nets),
            )
        )
    return Board(
        name="weir-logger",
        parts=tuple(parts),
        rails=_RAILS,
        ground=("GND",),
        width_mm=WIDTH_MM,
        height_mm=HEIGHT_MM,
        thickness_mm=THICKNESS_MM,
        copper_layers=4,
        copper_um=35.0,
    )


def build_demo_copper(shape: tuple[int, int]) -> FloatArray:
    """Return the copper's factor on the board's conductivity (rows, columns), row 0 at y = 0.

    Full planes over most of the board, a slot that parts the sensor input from the rest, and a
    keep-out under the antenna connector: heat spreads unevenly there, as on real boards.
    """
    rows, columns = shape
    x = (np.arange(columns) + 0.5) / columns * WIDTH_MM
    y = (np.arange(rows) + 0.5) / rows * HEIGHT_MM
    xx, yy = np.meshgrid(x, y)
    factor = np.ones(shape)
    factor[(xx > 25.0) & (xx < 40.0) & (yy > 12.0) & (yy < 28.0)] = 1.3  # planes and poured rail
    factor[(np.abs(xx - 25.0) < 0.5) & (yy < 22.0)] = 0.25  # the slot in the planes
    factor[(xx > 58.0) & (yy > 26.0)] = 0.3
    return factor
