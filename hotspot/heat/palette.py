"""False-colour video back to one number a pixel: which colour map, and where along it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import dijkstra, minimum_spanning_tree
from scipy.spatial import cKDTree

from hotspot.checks import FloatArray
from hotspot.radiometry import to_luminance

LEVELS = 256
# Brightness is coded for every pixel, colour often for four at once (4:2:0 subsampling, ITU-T
# H.264 clause 6.2), so colour counts less: enough to tell branches of equal brightness apart.
COLOUR_WEIGHT = 0.35
# Four fifths of the pixels must lie this near (weighted 8-bit levels) to a known map, or to a
# fitted curve. Lossy video strays by 2 to 4 levels, another map by 20 and more.
KNOWN_LEVELS, FITTED_LEVELS = 6.0, 10.0
# A known map farther off than this must beat the fitted curve: it may be a cousin of the real one.
COUSIN_LEVELS = 2.5
# Colours looked at when a map is chosen.
SAMPLE = 20_000
# No more colours than this in all pixels: the video was never compressed with loss, and every
# colour is one of the map's own, the few hottest ones too.
MOST_EXACT = LEVELS
# A fitted curve goes through cells of this many levels: finer than a map's turns.
CELL = 8


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
    """Return common colour maps, (256, 3) RGB each.

    OpenCV's own, grey, and maps given by formulas: gnuplot's rgbformulae 7,5,15 (its default) and
    30,31,32, and plain ramps black-red-yellow-white.
    """
    ramp = np.arange(LEVELS, dtype=np.uint8)[:, None]
    maps: dict[str, FloatArray] = {"grey": np.repeat(ramp, 3, axis=1).astype(np.float64)}
    for constant in dir(cv2):
        # Twilight maps return to their start: a colour has two places on them.
        if constant.startswith("COLORMAP_") and "TWILIGHT" not in constant:
            bgr = cv2.applyColorMap(ramp, getattr(cv2, constant))
            maps[constant.removeprefix("COLORMAP_").lower()] = bgr[:, 0, ::-1].astype(np.float64)
    x = np.linspace(0, 1, LEVELS)
    formulas = {
        "rgbformulae 7,5,15": (np.sqrt(x), x**3, np.sin(2 * np.pi * x)),
        "rgbformulae 30,31,32": (
            x / 0.32 - 0.78125,
            2 * x - 0.84,
            np.where(x < 0.25, 4 * x, np.where(x < 0.92, -2 * x + 1.84, x / 0.08 - 11.5)),
        ),
        "rgbformulae 34,35,36": (2 * x, 2 * x - 0.5, 2 * x - 1),
        "black-red-yellow-white": (1.5 * x, 2 * x - 1, 4 * x - 3),
        "rgbformulae 21,22,23": (3 * x, 3 * x - 1, 3 * x - 2),
    }
    for name, channels in formulas.items():
        maps[name] = np.round(255 * np.clip(np.stack(channels, axis=1), 0, 1))
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
    points = _weighted(colours.astype(np.float64))
    best = Palette("luminance", np.zeros((0, 3)), np.inf)
    for name, curve in common_palettes().items():
        distance = _distance(points, counts, curve)
        if distance < best.distance:
            best = Palette(name, curve, distance)
    if best.distance <= COUSIN_LEVELS:
        return best
    fitted = _fitted_curve(colours.astype(np.float64), counts)
    if fitted is not None:
        distance = _distance(points, counts, fitted)
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
        self._curve = _weighted(palette.colours)
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
        points = _weighted(rgb)
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


def _weighted(rgb: FloatArray) -> FloatArray:
    """Return (n, 3) brightness and weighted colour differences (ITU-R BT.601-7)."""
    if len(rgb) == 0:
        return np.zeros((0, 3))
    luma = rgb @ np.array([0.299, 0.587, 0.114])
    blue = (rgb[:, 2] - luma) * 0.564 * COLOUR_WEIGHT
    red = (rgb[:, 0] - luma) * 0.713 * COLOUR_WEIGHT
    out: FloatArray = np.stack([luma, blue, red], axis=1)
    return out


def _distance(points: FloatArray, counts: NDArray[np.intp], curve: FloatArray) -> float:
    tree: Any = cKDTree(_weighted(curve))
    far: FloatArray = tree.query(points)[0]
    order = np.argsort(far)
    running = np.cumsum(counts[order])
    return float(far[order][np.searchsorted(running, 0.8 * running[-1])])


def _fitted_curve(colours: FloatArray, counts: NDArray[np.intp]) -> FloatArray | None:
    """Return a (256, 3) curve through the colours, or None when there are too few.

    The longest path through the minimum spanning tree of colour cells is the order of a map that
    runs through colour space without branches.
    """
    exact = len(colours) <= MOST_EXACT
    cell = (colours // (1 if exact else CELL)).astype(np.int64) @ np.array([1 << 16, 1 << 8, 1])
    _, inverse = np.unique(cell, return_inverse=True)
    weight = np.bincount(inverse, weights=counts)
    nodes = np.stack([np.bincount(inverse, weights=counts * c) / weight for c in colours.T], axis=1)
    # Rare cells are blends at edges of the picture, not colours of the map.
    order = np.argsort(weight)[::-1]
    share = 1.0 if exact else 0.97
    kept = order[: int(np.searchsorted(np.cumsum(weight[order]), share * weight.sum())) + 1][:600]
    if len(kept) < 8:
        return None
    nodes = nodes[kept]
    space = _weighted(nodes)
    apart = np.linalg.norm(space[:, None] - space[None], axis=2) + 1e-6
    # Squared lengths make the tree follow many short steps rather than a short cut.
    tree: Any = minimum_spanning_tree(csr_matrix(apart**2))
    walk: Any = dijkstra
    lengths = walk(tree, directed=False, indices=0)
    one_end = int(np.argmax(lengths))
    lengths, before = walk(tree, directed=False, indices=one_end, return_predecessors=True)
    path = [int(np.argmax(lengths))]
    while path[-1] != one_end:
        path.append(int(before[path[-1]]))
    line = nodes[path]
    luma = line @ np.array([0.299, 0.587, 0.114])
    if luma[-1] < luma[0]:
        line = line[::-1]
    padded = np.concatenate([line[:1], line, line[-1:]])
    smooth = line.copy() if exact else (padded[:-2] + 2 * padded[1:-1] + padded[2:]) / 4
    smooth[0], smooth[-1] = line[0], line[-1]
    arc = np.r_[0, np.cumsum(np.linalg.norm(np.diff(smooth, axis=0), axis=1))]
    if arc[-1] <= 0:
        return None
    at = np.linspace(0, arc[-1], LEVELS)
    out: FloatArray = np.stack([np.interp(at, arc, c) for c in smooth.T], axis=1)
    return out
