"""False-colour video back to one number a pixel: which colour map, and where along it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from hotspot.checks import FloatArray
from hotspot.heat.colour_order import LEVELS, fit_curve, flat_colours, weighted
from hotspot.radiometry import to_luminance

# Four fifths of the pixels must lie this near (weighted 8-bit levels) to a known map, or to a
# fitted curve. Lossy video strays by 2 to 4 levels, another map by 20 and more.
KNOWN_LEVELS, FITTED_LEVELS, MOST_PIXELS = 6.0, 10.0, 0.8
# All but this many are on the right map as well, as far as coding goes (three times as far off);
# the rest are blends at edges of the picture.
ALL_BUT_FEW, RARE_WEIGHT = 0.995, 1 / 3
# A known map farther off than this must beat the fitted curve: it may be a cousin of the real one.
COUSIN_LEVELS = 2.5
# Colours looked at when a map is chosen.
SAMPLE = 20_000
# No more colours than this in all pixels: the video was never compressed with loss, and every
# colour is one of the map's own, the few hottest ones too.
MOST_EXACT = LEVELS
# Maps that return to their start, or to colours they had: a colour has two places on them.
RETURNING = ("twilight", "twilight_shifted", "hsv", "flag", "prism")
# Matplotlib's maps for paper, which end dark: nobody paints heat so, and in part they look like
# others that end bright.
FOR_PAPER = (
    "binary", "Blues", "BuGn", "BuPu", "gist_yarg", "gist_yerg", "GnBu", "Grays", "Greens", "Greys",
    "PuBu", "PuBuGn", "Purples", "YlGn", "YlGnBu",
)  # fmt: skip
# Matplotlib's maps that begin with red, which is the warm end of a thermal picture.
RED_FIRST = ("RdBu", "RdGy", "RdYlBu", "RdYlGn", "Spectral")


@dataclass(frozen=True, slots=True, eq=False)
class Palette:
    """A colour map.

    Attributes
    ----------
    name
        Of a common map, "fitted" for one found from the colours themselves, or "luminance" when
        the colours do not lie on a line.
    colours
        (256, 3) float64 RGB, cold to warm as assumed; empty for "luminance".
    distance
        Distance that four fifths of the pixels stay within, weighted 8-bit levels.
    """

    name: str
    colours: FloatArray
    distance: float

    @property
    def certain(self) -> bool:
        """Whether this is a common map beyond doubt, not a cousin of it."""
        return self.name not in ("fitted", "luminance") and self.distance <= COUSIN_LEVELS

    @property
    def note(self) -> str:
        """One sentence for the technician."""
        if self.name == "luminance":
            return "the colours of the video follow no single colour map: brightness is used"
        if self.name == "fitted":
            return (
                "the colour map of the video is not a common one: colours were put in order by "
                "a curve through them, the brighter end taken as warm; heights are relative"
            )
        return f"colour map of the video: {self.name}, its usual warm end taken as warm"


def common_palettes() -> dict[str, FloatArray]:
    """Return common colour maps, (256, 3) RGB each: grey, matplotlib's, OpenCV's, and a formula's.

    The formula is gnuplot's rgbformulae 21,22,23; others of them are matplotlib's as well.
    """
    # Here, for it takes a fifth of a second that only this kind of video needs.
    from matplotlib import colormaps

    ramp = np.arange(LEVELS, dtype=np.uint8)[:, None]
    maps: dict[str, FloatArray] = {"grey": np.repeat(ramp, 3, axis=1).astype(np.float64)}
    for name in colormaps:
        smooth = colormaps[name].N == LEVELS  # not a handful of colours to tell classes apart
        if smooth and name not in RETURNING + FOR_PAPER and not name.endswith("_r"):
            drawn = np.round(255 * colormaps[name](np.arange(LEVELS))[:, :3])
            maps[name.lower()] = drawn[::-1] if name in RED_FIRST else drawn
    for constant in dir(cv2):
        name = constant.removeprefix("COLORMAP_").lower()
        if constant.startswith("COLORMAP_") and name not in RETURNING:
            drawn = cv2.applyColorMap(ramp, getattr(cv2, constant))[:, 0, ::-1].astype(np.float64)
            if name not in maps:
                maps[name] = drawn
            elif not np.array_equal(maps[name], drawn):  # of the same name, but not the same
                maps[f"{name} (OpenCV)"] = drawn
    x = np.linspace(0, 1, LEVELS)
    hot = np.stack([3 * x, 3 * x - 1, 3 * x - 2], axis=1)
    maps["rgbformulae 21,22,23"] = np.round(255 * np.clip(hot, 0, 1))
    return maps


def find_palette(frames: NDArray[np.uint8]) -> Palette:
    """Return the colour map that (n, rows, cols, 3) RGB frames were painted with.

    Notes
    -----
    A map and its reverse hold the same colours, so nothing in a picture tells which end is warm;
    the usual direction is taken and said. A map seen only in part may fit two; the nearer wins.
    """
    pixels = frames.reshape(-1, 3)
    sample = pixels[:: max(1, len(pixels) // SAMPLE)]
    colours, counts = np.unique(sample, axis=0, return_counts=True)
    if len(colours) <= MOST_EXACT:
        # Perhaps all there are: then the rare ones of a small hot spot count as well.
        every = pixels @ np.array([1 << 16, 1 << 8, 1], dtype=np.int32)
        keys, many = np.unique(every, return_counts=True)
        if len(keys) <= MOST_EXACT:
            colours = np.stack([keys >> 16, (keys >> 8) & 255, keys & 255], axis=1)
            counts = many
    points = weighted(colours.astype(np.float64))
    best, nearest = Palette("luminance", np.zeros((0, 3)), np.inf), np.inf
    for name, curve in common_palettes().items():
        most, all_but_few = _distances(points, counts, curve)
        # A cousin may hold most colours, but not those of a small hot spot.
        if most + RARE_WEIGHT * all_but_few < nearest:
            best, nearest = Palette(name, curve, most), most + RARE_WEIGHT * all_but_few
    if best.certain:
        return best
    if len(colours) <= MOST_EXACT:
        fitted = fit_curve(colours.astype(np.float64), counts.astype(np.float64), exact=True)
    else:
        fitted = fit_curve(*flat_colours(frames), exact=False)
    if fitted is not None:
        distance = _distances(points, counts, fitted)[0]
        if distance <= min(FITTED_LEVELS, best.distance / 2):
            return Palette("fitted", fitted, distance)
    if best.distance <= KNOWN_LEVELS:
        return best
    return Palette("luminance", np.zeros((0, 3)), np.inf)


class PaletteReader:
    """Turns chunks of RGB frames into places along a colour map, 0 to 255.

    A colour seen for the first time is projected on the curve; later it is looked up, so a
    frame costs one table access a pixel. The table takes 32 MB.
    """

    def __init__(self, palette: Palette) -> None:
        self.palette = palette
        # 1 + 256 * level; 0 is a colour not met yet.
        self._table = np.zeros(1 << 24 if len(palette.colours) else 0, np.uint16)
        self._curve = weighted(palette.colours)
        self._tree: Any = cKDTree(self._curve) if len(palette.colours) else None

    def __call__(self, chunk: NDArray[Any]) -> NDArray[np.float32]:
        """Return (n, rows, cols) float32 of (n, rows, cols, 3) uint8."""
        if self._tree is None:
            return to_luminance(chunk)
        key = chunk[..., 0].astype(np.int32)
        key <<= 8
        key |= chunk[..., 1]
        key <<= 8
        key |= chunk[..., 2]
        code = self._table.take(key)
        fresh = code == 0
        if fresh.any():
            keys = np.unique(key[fresh])
            rgb = np.stack([keys >> 16, (keys >> 8) & 255, keys & 255], axis=1)
            self._table[keys] = 1 + np.round(256 * self._places(rgb.astype(np.float64)))
            code = self._table.take(key)
        value = code.astype(np.float32)
        value -= 1
        value /= 256
        out: NDArray[np.float32] = value
        return out

    def _places(self, rgb: FloatArray) -> FloatArray:
        """Return the place of each colour on the curve, between its points where it lies there."""
        points = weighted(rgb)
        nearest: NDArray[np.intp] = self._tree.query(points)[1]
        best = np.full(len(points), np.inf)
        place: FloatArray = nearest.astype(np.float64)
        for side in (-1, 0):
            first = np.clip(nearest + side, 0, len(self._curve) - 2)
            start, step = self._curve[first], self._curve[first + 1] - self._curve[first]
            length = np.maximum(np.sum(step**2, axis=1), 1e-12)
            along = np.clip(np.sum((points - start) * step, axis=1) / length, 0, 1)
            miss = np.sum((points - start - along[:, None] * step) ** 2, axis=1)
            better = miss < best - 1e-9
            best[better] = miss[better]
            place[better] = (first + along)[better]
        return place


def _distances(
    points: FloatArray, counts: NDArray[np.intp], curve: FloatArray
) -> tuple[float, float]:
    """Return the distances that most pixels and all but a few stay within."""
    tree: Any = cKDTree(weighted(curve))
    far: FloatArray = tree.query(points)[0]
    order = np.argsort(far)
    share = np.cumsum(counts[order]) / counts.sum()
    most, all_but_few = far[order][np.searchsorted(share, (MOST_PIXELS, ALL_BUT_FEW))]
    return float(most), float(all_but_few)
