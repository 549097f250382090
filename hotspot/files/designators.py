"""What a reference designator says: the kind of part.

Class letters: IEEE 315-1975 clause 22 / ASME Y14.44-2008. Letters that boards use beside the
standard (FB, LED, IC, CN, TP and the like) are common practice, no source.
"""

from __future__ import annotations

import re
from collections.abc import Iterable

from hotspot.board import Kind
from hotspot.nets import is_ground_name

# IEEE 315 / ASME Y14.44
_STANDARD = {
    "C": Kind.CAPACITOR, "R": Kind.RESISTOR, "RT": Kind.RESISTOR, "L": Kind.INDUCTOR,
    "E": Kind.BEAD, "FL": Kind.BEAD, "F": Kind.FUSE, "D": Kind.DIODE, "CR": Kind.DIODE,
    "DS": Kind.DIODE, "VR": Kind.IC, "Q": Kind.TRANSISTOR, "U": Kind.IC, "J": Kind.CONNECTOR,
    "P": Kind.CONNECTOR, "X": Kind.CONNECTOR, "TB": Kind.CONNECTOR, "TP": Kind.TEST_POINT,
    "A": Kind.OTHER, "B": Kind.OTHER, "BT": Kind.OTHER, "CB": Kind.OTHER, "K": Kind.OTHER,
    "LS": Kind.OTHER, "M": Kind.OTHER, "MK": Kind.OTHER, "PS": Kind.OTHER, "S": Kind.OTHER,
    "T": Kind.OTHER, "V": Kind.OTHER, "W": Kind.OTHER, "Y": Kind.OTHER, "Z": Kind.OTHER,
}  # fmt: skip
# Common practice, no source. Holes and fiducials have no electrical life, like test points.
_USUAL = {
    "FB": Kind.BEAD, "BD": Kind.BEAD, "FER": Kind.BEAD, "LED": Kind.DIODE, "ZD": Kind.DIODE,
    "TVS": Kind.DIODE, "ESD": Kind.DIODE, "IC": Kind.IC, "REG": Kind.IC, "CN": Kind.CONNECTOR,
    "CON": Kind.CONNECTOR, "JP": Kind.CONNECTOR, "USB": Kind.CONNECTOR, "H": Kind.TEST_POINT,
    "MH": Kind.TEST_POINT, "FD": Kind.TEST_POINT, "FID": Kind.TEST_POINT, "MP": Kind.TEST_POINT,
    "TH": Kind.RESISTOR, "NTC": Kind.RESISTOR, "PTC": Kind.FUSE, "RN": Kind.RESISTOR,
    "RP": Kind.RESISTOR, "CP": Kind.CAPACITOR, "CE": Kind.CAPACITOR, "SH": Kind.SHIELD,
    "SHD": Kind.SHIELD, "SW": Kind.OTHER, "XTAL": Kind.OTHER, "ANT": Kind.OTHER, "BAT": Kind.OTHER,
    "FET": Kind.TRANSISTOR, "M": Kind.OTHER, "PCB": Kind.OTHER,
}  # fmt: skip
_LETTERS = _STANDARD | _USUAL
# Words in a package or value that outweigh the letters ("U$2" in a diode's package).
_PACKAGE_WORDS = (
    (r"(?<![A-Z])LED(?![A-Z])", Kind.DIODE), (r"SOD-?\d|D_SM[ABC]|DO-?214", Kind.DIODE),
    (r"(?<![A-Z])SHIELD|RF.?SHIELD|SHIELD.?CAN", Kind.SHIELD),
    (r"TEST.?POINT", Kind.TEST_POINT), (r"MOUNTING.?HOLE|FIDUCIAL", Kind.TEST_POINT),
)  # fmt: skip
# Where the letters say nothing: the package's usual content.
_PACKAGE_GUESS = (
    (r"QFN|DFN|QFP|BGA|CSP|SOIC|TSSOP|MSOP|SOP-?\d", Kind.IC),
    (r"HEADER|USB|JST|CONN|TERMINAL|JUMPER", Kind.CONNECTOR),
    (r"^C_?\d{4}|CAP", Kind.CAPACITOR), (r"^R_?\d{4}|RES", Kind.RESISTOR),
    (r"^L_?\d{4}|IND", Kind.INDUCTOR), (r"SOT-?23", Kind.TRANSISTOR),
)  # fmt: skip


def kind_from_reference(ref: str, *, package: str = "", value: str = "") -> Kind:
    """Return the kind of part by its reference letters, helped by package and value."""
    letters_match = re.match(r"[^\W\d_]+", ref)
    letters = letters_match[0].upper() if letters_match else ""
    by_letters = _by_letters(letters)
    if by_letters in (None, Kind.IC, Kind.OTHER):
        for pattern, kind in _PACKAGE_WORDS:
            if re.search(pattern, package, re.I):
                return kind
    if by_letters is None:
        for pattern, kind in _PACKAGE_GUESS:
            if re.search(pattern, package, re.I):
                return kind
        return Kind.OTHER
    # A wound part called L that is sold as a bead says so in its value.
    if by_letters is Kind.INDUCTOR and re.search(r"bead|ferrite|@\s*100\s*MHz", value, re.I):
        return Kind.BEAD
    return by_letters


def _by_letters(letters: str) -> Kind | None:
    if letters in _LETTERS:
        return _LETTERS[letters]
    # Makers set a letter of their own before the class letter: PC1001, PR3 (common practice).
    if len(letters) == 2 and letters[0] == "P" and letters[1] in "CRLDQUF":
        return _LETTERS[letters[1]]
    return None


def ground_names(nets: Iterable[str]) -> tuple[str, ...]:
    """Return those of `nets` that are ground by name, sorted."""
    return tuple(sorted(n for n in set(nets) if is_ground_name(n)))
