"""Bodies of the parts that fail: size, rated power, temperature limit of the dielectric."""

from __future__ import annotations

import math
from dataclasses import dataclass

# Heat capacity of a sintered barium titanate body, J/(m³ K): 6020 kg/m³ × 434 J/(kg K)
# (He, Thermochim. Acta 419 (2004) 135, numbers from memory; spread ±20 %).
CERAMIC_J_M3K = 6020.0 * 434.0


@dataclass(frozen=True, slots=True)
class Package:
    """One body.

    Attributes
    ----------
    name
        Imperial chip size ("0402") or the kind of body.
    length_mm, width_mm, height_mm
        Body.
    rated_w
        Power a resistor of this size is rated for at 70 °C.
    source
        Where the numbers come from.
    """

    name: str
    length_mm: float
    width_mm: float
    height_mm: float
    rated_w: float
    source: str

    @property
    def radius_mm(self) -> float:
        """Radius of the disc of the same area."""
        return math.sqrt(self.length_mm * self.width_mm / math.pi)

    @property
    def heat_capacity_j_k(self) -> float:
        """Heat capacity of the body taken as solid ceramic."""
        return self.length_mm * self.width_mm * self.height_mm * 1e-9 * CERAMIC_J_M3K


_CHIP = "chip sizes and 70 °C ratings of IEC 60115-8, IEC 60384-21/-22"
_BODY = "common practice, no source"
_ROWS = (
    Package("01005", 0.40, 0.20, 0.20, 1 / 32, _CHIP),
    Package("0201", 0.60, 0.30, 0.30, 1 / 20, _CHIP),
    Package("0402", 1.00, 0.50, 0.50, 1 / 16, _CHIP),
    Package("0603", 1.60, 0.80, 0.80, 1 / 10, _CHIP),
    Package("0805", 2.00, 1.25, 1.25, 1 / 8, _CHIP),
    Package("1206", 3.20, 1.60, 1.60, 1 / 4, _CHIP),
    Package("1210", 3.20, 2.50, 2.00, 1 / 3, _CHIP),
    # A small IC body spreads its heat into more copper than a chip; half a watt keeps a 5 mm body
    # at bench temperatures without a heat sink.
    Package("ic", 5.00, 5.00, 0.90, 1 / 2, _BODY),
)
PACKAGES: dict[str, Package] = {row.name: row for row in _ROWS}

# The temperature a class 2 dielectric is made for (EIA-198-1, third letter of the code).
DIELECTRIC_MAX_C: dict[str, float] = {"X5R": 85.0, "X6S": 105.0, "X7R": 125.0}

TYPICAL = PACKAGES["0402"]
SMALLEST_USUAL = PACKAGES["0201"]


def find_package(text: str) -> Package | None:
    """Return the body that a package name means, or None when it is not in the table.

    "0402", "C0402", "CAP_0402_1005Metric" are the same chip; names of IC bodies (QFN, BGA, WLCSP,
    SOT, SOIC …) share one row.
    """
    name = text.strip().lower()
    for size in sorted(PACKAGES, key=len, reverse=True):
        if size.isdigit() and size in _digit_groups(name):
            return PACKAGES[size]
    bodies = ("ic", "qfn", "dfn", "bga", "csp", "lga", "soic", "ssop", "sot", "qfp")
    return PACKAGES["ic"] if any(body in name for body in bodies) else None


def _digit_groups(name: str) -> list[str]:
    return "".join(c if c.isdigit() else " " for c in name).split()
