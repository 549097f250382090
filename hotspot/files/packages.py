"""Body sizes of standard packages, from the package's name.

Chip sizes: IEC 60115-8 (resistors) and IEC 60384-21/-22 (capacitors). The inch code is the one
that design exports use; the metric code of the same parts shares two of its names: inch 0402 is
1.0 x 0.5 mm, metric 0402 is 0.4 x 0.2 mm. Lead packages: nominal plastic body of the JEDEC
outlines TO-236, TO-261, DO-214, MS-012 and the like, from memory.
"""

from __future__ import annotations

import re

# inch code: (metric code, length mm, width mm). The last three rows are from memory.
CHIPS = {
    "01005": ("0402", 0.40, 0.20),
    "0201": ("0603", 0.60, 0.30),
    "0402": ("1005", 1.00, 0.50),
    "0603": ("1608", 1.60, 0.80),
    "0805": ("2012", 2.00, 1.25),
    "1206": ("3216", 3.20, 1.60),
    "1210": ("3225", 3.20, 2.50),
    "1812": ("4532", 4.50, 3.20),
    "2010": ("5025", 5.00, 2.50),
    "2512": ("6332", 6.30, 3.20),
}
METRIC = {metric: (length, width) for metric, length, width in CHIPS.values()}
# Codes that can only be metric; one of them on a board says which system its author used.
_METRIC_ONLY = frozenset(METRIC) - frozenset(CHIPS)
# Plastic body, leads left out; x is the longer side along the row of pins.
_OUTLINES = (
    ("SOT-?223", 6.5, 3.5), ("SOT-?23-?[568]", 2.9, 1.6), ("SOT-?23", 2.9, 1.3),
    ("SOT-?363|SC-?70-?6|SOT-?353|SC-?70-?5|SOT-?323|SC-?70", 2.0, 1.25), ("SOT-?89", 4.5, 2.5),
    ("SOT-?523", 1.6, 0.8), ("SOT-?563", 1.6, 1.2), ("SOT-?723", 1.2, 0.8),
    ("SOD-?123", 2.7, 1.6), ("SOD-?323", 1.7, 1.25), ("SOD-?523", 1.2, 0.8),
    ("SOD-?923", 0.8, 0.6), ("DO-?214AC|D_SMA|SMA", 4.3, 2.6), ("DO-?214AA|D_SMB|SMB", 4.3, 3.6),
    ("DO-?214AB|D_SMC|SMC", 6.9, 5.9), ("SOIC-?8|SO-?8", 4.9, 3.9), ("MSOP-?(?:8|10)", 3.0, 3.0),
)  # fmt: skip
# "7x7mm", "3.3X2.9"; not the exposed pad ("EP1.55x2.4mm") and not rows of pins ("1x05").
_SIZE_MM = re.compile(
    r"(?<![A-Z0-9.])(\d{1,2}(?:\.\d+)?)[xX](\d{1,2}(?:\.\d+)?)(?:[xX]\d+(?:\.\d+)?)?\s*mm", re.I
)
_SIZE_DECIMAL = re.compile(r"(?<![A-Z0-9.])(\d{1,2}\.\d+)[xX](\d{1,2}\.\d+)(?![\d.])", re.I)
# IPC-7351 names: ...P<length>X<width>X<height> in hundredths of a millimetre.
_SIZE_IPC_7351 = re.compile(r"(?:P|^[A-Z]+)(\d{2,4})X(\d{2,4})X(\d{2,3})(?!\d)", re.I)
# Names that give length and width in words: "L3.3-W2.8"; and DFN2015: 2.0 x 1.5 mm.
_SIZE_LW = re.compile(r"(?<![A-Z])L(\d{1,2}\.\d+)-W(\d{1,2}\.\d+)", re.I)
_SIZE_DFN = re.compile(r"[DQ]FN-?(\d{2})(\d{2})(?!\d)", re.I)
_CODE = re.compile(r"(?<!\d)(01005|\d{4})(M|METRIC)?(?!\d)", re.I)


def is_metric_code(package: str) -> bool:
    """Return whether the name holds a chip code of the metric system alone ("1005", not "0402")."""
    codes = {m[1] for m in _CODE.finditer(package)}
    return bool(codes & _METRIC_ONLY) and not codes & frozenset(CHIPS)


def chip_size_mm(
    package: str, *, metric: bool = False, pitch_mm: float | None = None
) -> tuple[float, float] | None:
    """Return (length, width) of a chip package in mm, None if the name holds no chip code.

    Parameters
    ----------
    package
        "0402", "C_0402_1005Metric", "LED-0603", "0603M".
    metric
        Read a bare code that exists in both systems as metric.
    pitch_mm
        Distance of the pads' centres, if known: it decides between the two systems, since a chip's
        land pattern has its pads about one body length apart (common practice, no source).
    """
    codes = [(m[1], m[2] is not None) for m in _CODE.finditer(package)]
    inch = next((c for c, marked in codes if c in CHIPS and not marked), None)
    only = next((c for c, marked in codes if c in _METRIC_ONLY or (marked and c in METRIC)), None)
    if inch is None:
        return METRIC.get(only) if only is not None else None
    as_inch = CHIPS[inch][1:]
    as_metric = METRIC.get(inch)
    if as_metric is None or only is not None:
        return as_inch
    if pitch_mm is not None:
        return min((as_inch, as_metric), key=lambda size: abs(size[0] - pitch_mm))
    return as_metric if metric else as_inch


def body_size_mm(
    package: str, *, metric: bool = False, pitch_mm: float | None = None
) -> tuple[float, float] | None:
    """Return (width, height) of the body in mm by the package's name; None if it does not tell."""
    for pattern in (_SIZE_MM, _SIZE_LW, _SIZE_DECIMAL):
        found = pattern.search(package)
        if found:
            return _plausible(float(found[1]), float(found[2]))
    found = _SIZE_IPC_7351.search(package)
    if found:
        return _plausible(int(found[1]) / 100, int(found[2]) / 100)
    found = _SIZE_DFN.search(package)
    if found:
        return _plausible(int(found[1]) / 10, int(found[2]) / 10)
    for pattern_text, width, height in _OUTLINES:
        if re.search(rf"(?<![A-Z0-9])(?:{pattern_text})(?!\d)", package, re.I):
            return width, height
    return chip_size_mm(package, metric=metric, pitch_mm=pitch_mm)


def chip_by_pitch_mm(pitch_mm: float, *, land_width_mm: float) -> tuple[float, float] | None:
    """Return the size of the standard chip that pads like these carry, None when none does.

    For two-pad parts of an export without package names. In standard land patterns the pads'
    distance and the body's length differ by less than 15 %, and the lands are at most 1.6 times as
    wide as the body (common practice, no source).
    """
    sizes = [(length, width) for _, length, width in CHIPS.values()]
    best = min(sizes, key=lambda size: abs(size[0] - pitch_mm))
    fits = abs(best[0] - pitch_mm) <= 0.25 * best[0] and land_width_mm <= 1.6 * best[1]
    return best if fits else None


def _plausible(width: float, height: float) -> tuple[float, float] | None:
    return (width, height) if 0.1 <= width <= 100 and 0.1 <= height <= 100 else None
