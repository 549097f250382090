"""Drawing in board millimetres: polygons, discs, lines and lettering on an RGB picture."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from hotspot.board import Part
from hotspot.checks import FloatArray

Colour = tuple[int, int, int]
_SHIFT = 4  # sub-pixel bits of OpenCV's drawing functions


@dataclass(frozen=True, slots=True)
class Place:
    """Axes of a part: local millimetres to board millimetres."""

    x_mm: float
    y_mm: float
    rotation_deg: float = 0.0

    @classmethod
    def of(cls, part: Part) -> Place:
        """Return the axes of a part."""
        return cls(part.x_mm, part.y_mm, part.rotation_deg)

    def at(self, x: float, y: float) -> Place:
        """Return parallel axes about a local point."""
        centre = self.map([(x, y)])[0]
        return Place(float(centre[0]), float(centre[1]), self.rotation_deg)

    def map(self, points: Sequence[tuple[float, float]] | FloatArray) -> FloatArray:
        """Return board points (n, 2) of local points."""
        angle = np.deg2rad(self.rotation_deg)
        c, s = np.cos(angle), np.sin(angle)
        local = np.asarray(points, dtype=np.float64).reshape(-1, 2)
        out: FloatArray = local @ np.array([[c, s], [-s, c]]) + [self.x_mm, self.y_mm]
        return out


def box(width: float, height: float, *, x: float = 0.0, y: float = 0.0) -> FloatArray:
    """Return the corners (4, 2) of an upright rectangle about (x, y)."""
    half = 0.5 * np.array([width, height])
    out: FloatArray = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * half + [x, y]
    return out


def rounded(width: float, height: float, radius: float) -> FloatArray:
    """Return the outline of a rectangle with round corners about the origin."""
    radius = min(radius, 0.5 * width, 0.5 * height)
    points = []
    for quarter, (sx, sy) in enumerate(((1, 1), (-1, 1), (-1, -1), (1, -1))):
        centre = np.array([sx * (0.5 * width - radius), sy * (0.5 * height - radius)])
        angles = np.deg2rad(90 * quarter + np.linspace(0, 90, 9))
        points.append(centre + radius * np.c_[np.cos(angles), np.sin(angles)])
    out: FloatArray = np.concatenate(points)
    return out


class Canvas:
    """A picture of the board, y up in millimetres.

    Parameters
    ----------
    width_mm, height_mm
        Size.
    px_per_mm
        Scale.
    colour
        Ground colour, RGB; one number makes a single-channel picture.
    """

    def __init__(
        self, width_mm: float, height_mm: float, *, px_per_mm: float, colour: Colour | int
    ) -> None:
        self.width_mm, self.height_mm, self.px_per_mm = width_mm, height_mm, px_per_mm
        shape = (round(height_mm * px_per_mm), round(width_mm * px_per_mm))
        self.image: NDArray[np.uint8] = np.full(
            shape if isinstance(colour, int) else (*shape, 3), colour, dtype=np.uint8
        )

    def fill(self, points_mm: FloatArray, colour: Colour | int) -> None:
        """Fill a convex outline."""
        cv2.fillConvexPoly(self.image, self._px(points_mm), colour, cv2.LINE_AA, _SHIFT)

    def shade(
        self, place: Place, width: float, height: float, *, colours: tuple[Colour, Colour]
    ) -> None:
        """Fill a rectangle in a part's axes with a run of colour along its height."""
        steps = 24
        first, last = (np.array(c, dtype=np.float64) for c in colours)
        for n in range(steps):
            colour = first + (last - first) * (n + 0.5) / steps
            band = box(width, 1.15 * height / steps, y=(0.5 - (n + 0.5) / steps) * height)
            self.fill(place.map(band), to_colour(colour))

    def disc(self, xy_mm: FloatArray, radius_mm: float, colour: Colour | int) -> None:
        """Fill a disc."""
        centre = self._px(np.asarray(xy_mm).reshape(1, 2))[0]
        radius = round(radius_mm * self.px_per_mm * 2**_SHIFT)
        cv2.circle(self.image, centre.tolist(), radius, colour, -1, cv2.LINE_AA, _SHIFT)

    def line(self, points_mm: FloatArray, width_mm: float, colour: Colour | int) -> None:
        """Draw a line with round joints."""
        thick = max(1, round(width_mm * self.px_per_mm))
        points = self._px(points_mm).reshape(-1, 1, 2)
        cv2.polylines(self.image, [points], False, colour, thick, cv2.LINE_AA, _SHIFT)

    def outline(self, points_mm: FloatArray, width_mm: float, colour: Colour | int) -> None:
        """Draw a closed line."""
        self.line(np.concatenate([points_mm, points_mm[:1]]), width_mm, colour)

    def text(
        self,
        words: str,
        xy_mm: tuple[float, float],
        *,
        height_mm: float,
        colour: Colour | int,
        stroke_mm: float = 0.14,
    ) -> None:
        """Write in strokes, centred on a point; upright."""
        scale = height_mm * self.px_per_mm / 21.0  # the capital letters of this font: 21 px
        thick = max(1, round(stroke_mm * self.px_per_mm))
        (width, height), _ = cv2.getTextSize(words, cv2.FONT_HERSHEY_SIMPLEX, scale, thick)
        x = round(xy_mm[0] * self.px_per_mm - 0.5 * width)
        y = round((self.height_mm - xy_mm[1]) * self.px_per_mm + 0.5 * height)
        cv2.putText(
            self.image, words, (x, y), cv2.FONT_HERSHEY_SIMPLEX, scale, colour, thick, cv2.LINE_AA
        )

    def text_size_mm(
        self, words: str, *, height_mm: float, stroke_mm: float = 0.14
    ) -> tuple[float, float]:
        """Return width and height of lettering in mm."""
        scale = height_mm * self.px_per_mm / 21.0
        thick = max(1, round(stroke_mm * self.px_per_mm))
        (width, height), _ = cv2.getTextSize(words, cv2.FONT_HERSHEY_SIMPLEX, scale, thick)
        return width / self.px_per_mm, height / self.px_per_mm

    def _px(self, points_mm: FloatArray) -> NDArray[np.int32]:
        points = np.asarray(points_mm, dtype=np.float64).reshape(-1, 2)
        px = np.c_[points[:, 0], self.height_mm - points[:, 1]] * self.px_per_mm - 0.5
        out: NDArray[np.int32] = np.rint(px * 2**_SHIFT).astype(np.int32)
        return out


def to_colour(value: FloatArray) -> Colour:
    """Return a colour clipped to 8 bits."""
    red, green, blue = (round(float(v)) for v in np.clip(value, 0, 255))
    return red, green, blue
