"""Parts as heat lumps: heat capacity, contact to the plate, surface as the camera sees it.

Values per kind are engineering estimates for ordinary surface-mount parts, from memory of handbook
property tables (Incropera, appendix A: alumina and glass ceramics ρc ≈ 2.5-3.2 MJ/m³K, epoxy
≈ 1.8, copper and tin 2-3.5; emissivities: painted or moulded surfaces 0.85-0.95, bright metal
0.05-0.2). They set a practice scene, never a limit.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hotspot.board import Kind, Part
from hotspot.checks import FloatArray, check_positive
from hotspot.practice.plate import Lump, PlateSettings


@dataclass(frozen=True, slots=True)
class PartBody:
    """A part as the simulator knows it.

    Attributes
    ----------
    ref
        Reference of the part.
    x_mm, y_mm, width_mm, height_mm, rotation_deg
        Body in board coordinates, as in `hotspot.board.Part`.
    tall_mm
        How high it stands; the taller part hides the lower.
    heat_capacity_j_k
        Heat it stores.
    contact_w_k
        Conductance to the plate under it; its inverse is the contact resistance.
    loss_w_k
        Conductance to the room through its top.
    emissivity, end_emissivity
        Of the body and of its end caps.
    end_share
        Length of each end cap over the body's height; 0 for none (a 0402 chip: 0.5).
    rim
        The part touches the board along its edge only (a shield can).
    seen
        Whether it stands on the side that the camera sees.
    """

    ref: str
    x_mm: float
    y_mm: float
    width_mm: float
    height_mm: float
    rotation_deg: float
    tall_mm: float
    heat_capacity_j_k: float
    contact_w_k: float
    loss_w_k: float
    emissivity: float = 0.9
    end_emissivity: float = 0.15
    end_share: float = 0.0
    rim: bool = False
    seen: bool = True

    def __post_init__(self) -> None:
        for name in ("width_mm", "height_mm", "heat_capacity_j_k", "contact_w_k"):
            check_positive(getattr(self, name), name=f"{name} of {self.ref}")

    def corners_mm(self) -> FloatArray:
        """Return the (4, 2) corners in board coordinates."""
        angle = np.deg2rad(self.rotation_deg)
        c, s = np.cos(angle), np.sin(angle)
        half = 0.5 * np.array([self.width_mm, self.height_mm])
        box = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]], dtype=np.float64) * half
        out: FloatArray = box @ np.array([[c, s], [-s, c]]) + [self.x_mm, self.y_mm]
        return out

    def to_local(self, points_mm: FloatArray) -> FloatArray:
        """Return board points (..., 2) in the part's own axes, 1 = half its width or height."""
        angle = np.deg2rad(self.rotation_deg)
        c, s = np.cos(angle), np.sin(angle)
        dx = points_mm[..., 0] - self.x_mm
        dy = points_mm[..., 1] - self.y_mm
        out: FloatArray = np.stack(
            [
                (c * dx + s * dy) / (0.5 * self.width_mm),
                (-s * dx + c * dy) / (0.5 * self.height_mm),
            ],
            axis=-1,
        )
        return out

    def coverage(self, plate: PlateSettings) -> FloatArray:
        """Return the share 0..1 of each plate cell (rows, columns) under the body."""
        fine = 6  # sub-cells a side; covers a 0402 body within 2 % of its area
        rows, columns = plate.shape
        dx, dy = plate.cell_size_mm
        left, bottom = plate.origin_mm
        reach = 0.5 * np.hypot(self.width_mm, self.height_mm)
        first_row = max(0, int((self.y_mm - bottom - reach) / dy))
        last_row = min(rows, int(np.ceil((self.y_mm - bottom + reach) / dy)) + 1)
        first_col = max(0, int((self.x_mm - left - reach) / dx))
        last_col = min(columns, int(np.ceil((self.x_mm - left + reach) / dx)) + 1)
        share = np.zeros(plate.shape)
        if first_row >= last_row or first_col >= last_col:
            return share
        y = bottom + (first_row + (np.arange((last_row - first_row) * fine) + 0.5) / fine) * dy
        x = left + (first_col + (np.arange((last_col - first_col) * fine) + 0.5) / fine) * dx
        local = np.abs(self.to_local(np.stack(np.meshgrid(x, y), axis=-1)))
        inside = (local <= 1.0).all(axis=-1)
        if self.rim:
            edge = np.array([1 - 1.0 / self.width_mm, 1 - 1.0 / self.height_mm])  # 0.5 mm wall foot
            inside &= (local >= edge).any(axis=-1)
        blocks = inside.reshape(last_row - first_row, fine, last_col - first_col, fine)
        share[first_row:last_row, first_col:last_col] = blocks.mean(axis=(1, 3))
        return share

    def to_lump(self, plate: PlateSettings) -> Lump:
        """Return the part as a node of the heat network.

        Raises
        ------
        ValueError
            If no part of the body lies over the plate.
        """
        share = self.coverage(plate)
        if not share.any():
            raise ValueError(
                f"{self.ref} at ({self.x_mm}, {self.y_mm}) mm does not lie on the board"
            )
        return Lump(
            heat_capacity_j_k=self.heat_capacity_j_k,
            contact_w_k=self.contact_w_k * share / share.sum(),
            loss_w_k=self.loss_w_k,
        )


# kind: height mm, ρc J/m³K, contact W/m²K over the footprint, emissivity, end caps' share
_KINDS: dict[Kind, tuple[float, float, float, float, float]] = {
    Kind.CAPACITOR: (1.6, 3.0e6, 3.0e4, 0.88, 0.45),
    Kind.RESISTOR: (0.35, 2.9e6, 3.0e4, 0.90, 0.4),
    Kind.INDUCTOR: (1.8, 3.5e6, 8.0e3, 0.90, 0.0),
    Kind.BEAD: (0.7, 3.3e6, 2.0e4, 0.90, 0.4),
    Kind.IC: (0.9, 1.9e6, 1.2e4, 0.92, 0.0),
    Kind.CONNECTOR: (4.0, 1.5e6, 2.0e3, 0.93, 0.0),
    Kind.SHIELD: (1.6, 0.5e6, 1.5e4, 0.10, 0.0),  # a hollow can: little metal in its volume
    Kind.TEST_POINT: (0.04, 3.4e6, 1.0e5, 0.08, 0.0),
    Kind.DIODE: (0.9, 2.0e6, 1.5e4, 0.92, 0.2),
    Kind.TRANSISTOR: (0.9, 2.0e6, 1.5e4, 0.92, 0.0),
    Kind.FUSE: (0.6, 2.6e6, 2.0e4, 0.90, 0.35),
    Kind.OTHER: (1.2, 2.0e6, 6.0e3, 0.90, 0.0),
}
_CHIPS = frozenset({Kind.CAPACITOR, Kind.INDUCTOR, Kind.BEAD, Kind.RESISTOR, Kind.FUSE})
_FILM_W_M2K = 12.0  # still air and radiation from a small top face


def to_part_body(part: Part) -> PartBody:
    """Return a part of the board as a heat lump with the values of its kind."""
    tall_mm, capacity, contact, emissivity, ends = _KINDS[part.kind]
    if part.kind in _CHIPS:
        tall_mm = min(tall_mm, part.height_mm)  # chips are no taller than wide
    area_m2 = part.width_mm * part.height_mm * 1e-6
    rim = part.kind is Kind.SHIELD
    foot_m2 = (part.width_mm + part.height_mm) * 2 * 0.5e-6 if rim else area_m2
    return PartBody(
        ref=part.ref,
        x_mm=part.x_mm,
        y_mm=part.y_mm,
        width_mm=part.width_mm,
        height_mm=part.height_mm,
        rotation_deg=part.rotation_deg,
        tall_mm=tall_mm,
        heat_capacity_j_k=capacity * area_m2 * tall_mm * 1e-3,
        contact_w_k=contact * foot_m2,
        loss_w_k=_FILM_W_M2K * area_m2,
        emissivity=emissivity,
        end_share=ends,
        rim=rim,
        seen=part.side != "bottom",
    )
