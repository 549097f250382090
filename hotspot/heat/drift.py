"""Drift that the whole picture shares: removed bin by bin, robustly, while something is heating.

A camera's temperature drift is smooth over the picture (constant and low-order terms); a board that
warms or cools as a whole, or a room that does, shows up in proportion to the emissivity pattern,
which the cold picture itself displays; and a camera that shivers moves the cold picture by parts of
a pixel, which its gradient displays. All of these are fitted to every time bin at once and taken
out. A heated part covers few of the pixels the fit rests on, and those that change most are left
out of a second round, so that the heat stays.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from hotspot.checks import FloatArray
from hotspot.heat.robust import median_of

# Pixels whose change over time exceeds this many times the median change are left out of the
# second fit; 2 keeps 95 % of the pixels of pure noise of unequal level and drops warm areas.
WARM_FACTOR = 2.0
# The structure picture is blurred by this much, so that fixed pixel noise does not enter it.
STRUCTURE_SIGMA_PX = 0.8
# ... except where it departs from its surroundings by more than this many sigma of that noise:
# edges of pads and parts.
EDGE_SIGMAS = 3.0
# Half waves across the picture of what is seen through the structure: a hand mirrored at 20 cm
# fills about a quarter of the picture; heat of a part is ten times narrower than half a wave.
STRUCTURE_WAVES = 4
# Board and bench are told from pads and cans by a blur of this part of the picture's height; the
# board as a whole drifts in few waves.
COARSE_SHARE, COARSE_WAVES = 10, 2
# A restless pixel (blinking) changes from bin to bin by this many sigma more than the picture
# does, while its neighbours, which the optics would make share any heat, change by less than the
# second figure of its excess: even optics of 0.6 px blur give a neighbour 9 %.
RESTLESS_SIGMA = 6.0
# A common pattern has this much more power than the noise (whose largest component of 32 in 5000
# pixels or more stays below 1.2); at most so many of them; and less than this share of it lies
# within this distance of its strongest place.
STANDS_OUT, MOST_COMMON = 1.4, 2
COMPACT_SHARE, COMPACT_PX = 0.35, 15.0
RESTLESS_SHARE = 0.05
# The board as a whole and what is seen through its structure, where its outline is known (of one
# that fills the picture the whole is the level); and the patterns that moving things take.
BOARD_ITSELF, STRUCTURE_ITSELF = "board", "board structure"
WAVES = ("fine", "coarse", "shift")
# An outline that leaves less than this scatter of the share of board fills the picture: a hundredth
# of the pixels beside the board give 0.1.
LEAST_OUTLINE = 0.1


@dataclass(frozen=True, slots=True, eq=False)
class Drift:
    """What was taken out.

    Attributes
    ----------
    patterns
        (pixels, d) the spatial patterns.
    coefficients
        (bins, d) how much of each pattern each bin holds.
    names
        What each pattern stands for.
    """

    patterns: NDArray[np.float32]
    coefficients: FloatArray
    names: tuple[str, ...]


def build_patterns(
    cold: NDArray[np.float32],
    *,
    bad: NDArray[np.bool_],
    on_board: NDArray[np.float32] | None = None,
) -> tuple[NDArray[np.float32], tuple[str, ...]]:
    """Return the spatial patterns (pixels, d) that drift may take, and their names.

    Parameters
    ----------
    cold
        (rows, cols) cold picture.
    bad
        (rows, cols) pixels to leave out.
    on_board
        (rows, cols) share of each pixel that shows the board and not the bench beside it; None
        where the board's outline is not known.
    """
    rows, cols = cold.shape
    y, x = np.mgrid[-1 : 1 : rows * 1j, -1 : 1 : cols * 1j]
    patterns = [np.ones_like(x), x, y, x * x - 1 / 3, x * y, y * y - 1 / 3]
    names = ["level", "slope x", "slope y", "bowl x", "twist", "bowl y"]
    filled = np.where(bad | ~np.isfinite(cold), np.nanmedian(cold), cold).astype(np.float32)
    low, high = np.percentile(filled, (0.01, 99.99))
    if high > low:
        sharp = (np.clip(filled, low, high) - filled.mean()) / (high - low)
        structure = _without_pixel_noise(sharp)
        edged = on_board is not None and float(on_board.std()) > LEAST_OUTLINE
        filled_by_board = on_board is not None and not edged and float(on_board.mean()) > 0.5
        patterns += [sharp]
        names += [STRUCTURE_ITSELF if filled_by_board else "structure"]
        if on_board is not None and edged:
            # What the room does to the board it does not do to the bench, nor by the same pattern.
            patterns += [on_board, on_board * sharp]
            names += [BOARD_ITSELF, STRUCTURE_ITSELF]
        # The bench beside the board is as dark as its metal and does not drift with it.
        coarse = np.asarray(
            cv2.GaussianBlur(structure, (0, 0), min(rows, cols) / COARSE_SHARE), np.float64
        )
        fine = structure - coarse
        # A board that warms in its middle, a hand or a face mirrored in its metal: smooth, moving,
        # and seen through the emissivity pattern, be it as it is or the other way round.
        for (i, j), wave in build_waves((rows, cols)).items():
            patterns.append(fine * wave)
            names.append(f"fine {i} {j}")
            if i + j <= COARSE_WAVES:
                patterns.append(coarse * wave)
                names.append(f"coarse {i} {j}")
        patterns += [np.gradient(structure, axis=1), np.gradient(structure, axis=0)]
        names += ["shift x", "shift y"]
    stack = np.stack([p.reshape(-1) for p in patterns], axis=1).astype(np.float32)
    scale = np.sqrt(np.mean(stack**2, axis=0))
    return stack / np.maximum(scale, 1e-12), tuple(names)


def build_waves(shape: tuple[int, int]) -> dict[tuple[int, int], FloatArray]:
    """Return products of cosines over a picture (rows, cols), by half waves along x and along y."""
    y, x = np.mgrid[-1 : 1 : shape[0] * 1j, -1 : 1 : shape[1] * 1j]
    return {
        (i, j): np.cos(0.5 * np.pi * i * (x + 1)) * np.cos(0.5 * np.pi * j * (y + 1))
        for i in range(STRUCTURE_WAVES + 1)
        for j in range(STRUCTURE_WAVES + 1 - i)
    }


def _without_pixel_noise(sharp: NDArray[np.float32]) -> NDArray[np.float64]:
    """Return a cold picture without its pixels' own offsets, which do not drift; edges stay."""
    smooth = cv2.GaussianBlur(sharp, (0, 0), STRUCTURE_SIGMA_PX)
    rough = sharp - smooth
    sigma = 1.4826 * median_of(np.abs(rough)) + 1e-12
    edges = np.abs(rough) > EDGE_SIGMAS * sigma
    return np.asarray(smooth + np.where(edges, rough, 0.0), dtype=np.float64)


def remove_drift(
    values: NDArray[np.float32],
    *,
    patterns: NDArray[np.float32],
    names: tuple[str, ...],
    bad: NDArray[np.bool_],
    keep_out: NDArray[np.bool_] | None = None,
) -> Drift:
    """Take the shared drift out of binned values, in place.

    Parameters
    ----------
    values
        (bins, pixels) float32, changed in place.
    patterns, names
        From `build_patterns`.
    bad
        (rows, cols) pixels that say nothing.
    keep_out
        (rows, cols) pixels known to be heated, left out of the fit as well.

    Returns
    -------
    Drift
        What was taken out.
    """
    good = ~bad.reshape(-1)
    if keep_out is not None and (good & ~keep_out.reshape(-1)).sum() > 20 * patterns.shape[1]:
        good = good & ~keep_out.reshape(-1)
    coefficients = _amounts(values, patterns=patterns, good=good)
    change = _change(values, patterns=patterns, coefficients=coefficients)
    middle = median_of(change[good])
    calm = good & (change < WARM_FACTOR**2 * middle)
    if middle > 0 and calm.sum() > max(20 * patterns.shape[1], 0.3 * good.sum()):
        coefficients = _amounts(values, patterns=patterns, good=calm)
    for first in range(0, len(values), 32):
        part = slice(first, first + 32)
        values[part] -= coefficients[part].astype(np.float32) @ patterns.T
    return Drift(patterns=patterns, coefficients=coefficients, names=names)


def _amounts(
    values: NDArray[np.float32], *, patterns: NDArray[np.float32], good: NDArray[np.bool_]
) -> FloatArray:
    """Least-squares amounts (bins, d) of the patterns over good pixels."""
    # Masked by weight: copying the good pixels of every bin would cost more than the fit.
    basis = patterns * good[:, None].astype(np.float32)
    gram = (basis.T @ patterns).astype(np.float64)
    right = (values @ basis).astype(np.float64)
    out: FloatArray = np.linalg.lstsq(gram, right.T, rcond=1e-8)[0].T
    return out


def _change(
    values: NDArray[np.float32], *, patterns: NDArray[np.float32], coefficients: FloatArray
) -> FloatArray:
    """Variance over time (pixels,) of what is left, without writing it down."""
    centred = (coefficients - coefficients.mean(axis=0)).astype(np.float32)
    mean = values.mean(axis=0)
    square = np.einsum("bp,bp->p", values, values) / len(values) - mean**2
    cross = (centred.T @ values) / np.float32(len(values))  # (d, pixels)
    cov = (centred.T @ centred) / np.float32(len(values))
    out: FloatArray = (
        square
        - 2 * np.einsum("pd,dp->p", patterns, cross)
        + np.einsum("pd,de,pe->p", patterns, cov, patterns, optimize=True)
    )
    return np.maximum(out, 0.0)


def find_restless(values: NDArray[np.float32], *, bad: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return pixels (rows, cols) that blink: restless from bin to bin, and alone in it.

    Parameters
    ----------
    values
        (bins, pixels) float32 drift-free values.
    bad
        (rows, cols) pixels known to be bad.
    """
    if len(values) < 8:
        return np.zeros_like(bad)
    total = np.zeros(values.shape[1], dtype=np.float64)
    for i in range(1, len(values)):
        total += (values[i] - values[i - 1]).astype(np.float64) ** 2
    power = (total / (len(values) - 1)).reshape(bad.shape)
    good = ~bad
    middle = median_of(power[good])
    sigma = 1.4826 * median_of(np.abs(power[good] - middle))
    excess = np.where(bad, 0.0, power - middle)
    kernel = np.array([[0, 1, 0], [1, 0, 1], [0, 1, 0]], dtype=np.float64) / 4
    around = cv2.filter2D(excess, -1, kernel, borderType=cv2.BORDER_REFLECT)
    # Of few bins the power is far from normal; its cube root is not (Wilson & Hilferty 1931).
    root = np.cbrt(power)
    centre = median_of(root[good])
    spread = 1.4826 * median_of(np.abs(root[good] - centre))
    restless = (root > centre + RESTLESS_SIGMA * spread) & (excess > RESTLESS_SIGMA * sigma)
    return restless & (around < RESTLESS_SHARE * excess + sigma) & good


def find_common_patterns(
    quiet_maps: NDArray[np.float32], *, bad: NDArray[np.bool_]
) -> NDArray[np.float32]:
    """Return patterns (n, pixels) that the picture wanders by at times without signal.

    What is mirrored in metal drifts with the room; its pattern (pads, cans) may be too faint in
    the cold picture to be fitted by it, but the quiet contrasts show it: their largest principal
    components, where they stand out from the noise and are spread over the picture. A component
    that sits in one place is heat that no response has, and is left alone.

    Parameters
    ----------
    quiet_maps
        (r, rows, cols) maps of the quiet contrasts.
    bad
        (rows, cols) pixels that say nothing.
    """
    maps = np.where(bad, np.float32(0), quiet_maps)
    flat = maps.reshape(len(maps), -1)
    if len(flat) < 8:
        return np.zeros((0, flat.shape[1]), dtype=np.float32)
    value, vector = np.linalg.eigh((flat @ flat.T).astype(np.float64) / flat.shape[1])
    floor = float(np.median(value))
    found = []
    for i in np.argsort(value)[::-1][:MOST_COMMON]:
        if value[i] < STANDS_OUT * floor:
            break
        pattern = (vector[:, i].astype(np.float32) @ flat).reshape(bad.shape)
        smooth = cv2.GaussianBlur(pattern**2, (0, 0), 1.0)
        row, column = np.unravel_index(int(np.argmax(smooth)), smooth.shape)
        y, x = np.indices(bad.shape)
        near = np.hypot(x - column, y - row) < COMPACT_PX
        # The noise of the component itself is spread evenly: only what exceeds it counts.
        power = np.maximum(pattern**2 - floor, 0.0)
        if float(power[near].sum()) < COMPACT_SHARE * float(power.sum()):
            found.append(pattern.reshape(-1))
    return np.array(found, dtype=np.float32).reshape(len(found), flat.shape[1])


def without_patterns(
    maps: NDArray[np.float32], patterns: NDArray[np.float32]
) -> NDArray[np.float32]:
    """Return maps (n, rows, cols) less their least-squares share of patterns (m, pixels)."""
    if len(patterns) == 0:
        return maps
    flat = maps.reshape(len(maps), -1)
    gram = (patterns @ patterns.T).astype(np.float64)
    amounts = np.linalg.solve(gram, (patterns @ flat.T).astype(np.float64)).T
    out: NDArray[np.float32] = (flat - amounts.astype(np.float32) @ patterns).reshape(maps.shape)
    return out
