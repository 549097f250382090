"""The heat as a coloured, see-through layer: strong where it is significant, absent where not."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import matplotlib as mpl
import numpy as np
from matplotlib.colors import Colormap, ListedColormap
from numpy.typing import NDArray

from hotspot.checks import FloatArray
from hotspot.finding import Spot
from hotspot.heat.heatmap import HeatMap
from hotspot.register.registration import PlaneMap
from hotspot.register.warp import warp_picture

# Weak heat is smoothed for the eye, by about the blur of common optics; where a single pixel
# already stands out by this many times its noise, smoothing would only flatten the picture.
_SMOOTH_PX = 1.0
_STRONG_SIGMA = 15.0
_SHARP_SHARE = (0.25, 0.5)
# Significance (times the noise) at which the layer begins and is full. At 5 sigma, pure noise puts
# colour into one of 70 pictures of 50 000 pixels (Gaussian tail 2.9e-7 a pixel); at 4, into most.
BEGIN_SIGMA, _FULL_SIGMA = 5.0, 9.0
# Part of the strongest rise at which the layer begins and is full: with a strong signal the whole
# board is significantly warm, but the eye wants the middle.
_BEGIN_SHARE, _FULL_SHARE = 0.04, 0.32
# Around a spot that the finding has certified, colour begins at less; so far around it.
_NEAR_SPOT_SIGMA, _NEAR_SPOT_PX = (1.0, 3.5), 3.0
# The parts must stay readable under the heat.
_MOST_OPAQUE = 0.70


@dataclass(frozen=True, slots=True, eq=False)
class Layer:
    """The see-through heat.

    Attributes
    ----------
    rgba
        (rows, cols, 4) float32, 0 to 1, in backdrop px.
    top_k
        Rise at the warm end of the colours.
    lit
        Whether anything is significant enough to be coloured.
    smoothed
        Whether the rise was smoothed for the eye.
    """

    rgba: NDArray[np.float32]
    top_k: float
    lit: bool
    smoothed: bool


def heat_colours() -> Colormap:
    """Return the colours: perceptually even, readable for colour-blind people, dark to light.

    matplotlib's "inferno" without its black end, which would look like a hole in the photo.
    """
    return ListedColormap(mpl.colormaps["inferno"](np.linspace(0.28, 0.97, 256)))


def smooth_heat(heat: HeatMap) -> tuple[FloatArray, FloatArray]:
    """Return the rise and its significance (times the noise), both smoothed for the eye.

    The noise of a smoothed pixel follows from the kernel's squares, pixels taken as independent
    (the matched filter of the finding does not rely on this).
    """
    valid = heat.valid & np.isfinite(heat.rise_k) & np.isfinite(heat.sigma_k) & (heat.sigma_k > 0)
    weight = _blur(valid.astype(np.float64), _SMOOTH_PX)
    rise = np.where(valid, heat.rise_k, 0.0).astype(np.float64)
    variance = np.where(valid, heat.sigma_k, 0.0).astype(np.float64) ** 2
    safe = np.maximum(weight, 1e-6)
    smooth = np.where(weight > 0.3, _blur(rise, _SMOOTH_PX) / safe, 0.0)
    # A squared Gaussian kernel is a Gaussian of sigma/sqrt(2) times 1/(4 pi sigma^2).
    narrow = _blur(variance, _SMOOTH_PX / np.sqrt(2)) / (4 * np.pi * _SMOOTH_PX**2) / safe**2
    sigma = np.sqrt(np.maximum(narrow, 1e-30))
    return smooth, np.where(weight > 0.3, smooth / sigma, 0.0)


def _plain_heat(heat: HeatMap, *, smooth: FloatArray) -> tuple[FloatArray, FloatArray]:
    valid = heat.valid & np.isfinite(heat.rise_k) & np.isfinite(heat.sigma_k) & (heat.sigma_k > 0)
    rise = np.where(valid, heat.rise_k, smooth).astype(np.float64)
    significance = np.where(valid, rise / np.where(valid, heat.sigma_k, 1.0), 0.0)
    return rise, significance


def _is_wide(plain: FloatArray, smooth: FloatArray) -> bool:
    """Return whether the peak has neighbours.

    A lone pixel loses 6/7 to the smoothing, a spot as wide as the optics' blur about half.
    """
    row, col = np.unravel_index(int(np.argmax(plain)), plain.shape)
    return bool(smooth[row, col] > 0.3 * plain[row, col])


def build_layer(
    heat: HeatMap,
    *,
    picture_from_thermal: PlaneMap,
    shape: tuple[int, int],
    spots: tuple[Spot, ...] = (),
) -> Layer:
    """Return the heat as a layer over a backdrop of `shape` (rows, cols).

    Around `spots`, which the finding has tested with all pixels together, fainter pixels are
    coloured too.
    """
    rise, significance = smooth_heat(heat)
    plain, plain_significance = _plain_heat(heat, smooth=rise)
    strong = bool(plain_significance.max(initial=0) > _STRONG_SIGMA) and _is_wide(plain, rise)
    if strong:
        # Sharp where it is hot, smooth where it fades, or the fringe would look like sand.
        sharp = _ramp(plain / max(float(plain.max()), 1e-12), *_SHARP_SHARE)
        rise = sharp * plain + (1 - sharp) * rise
    lit = significance > BEGIN_SIGMA
    quiet = float(np.median(heat.sigma_k[heat.valid])) if heat.valid.any() else 1.0
    # Without anything significant the scale still has to mean something: eight times the noise.
    lit |= _near(spots, rise.shape) > 0.5
    top = float(rise[lit].max()) if lit.any() else _FULL_SIGMA * quiet
    top = max(top, 1e-12)
    alpha = (
        _MOST_OPAQUE
        * np.maximum(
            _ramp(significance, BEGIN_SIGMA, _FULL_SIGMA),
            _near(spots, rise.shape) * _ramp(significance, *_NEAR_SPOT_SIGMA),
        )
        * _ramp(rise / top, _BEGIN_SHARE, _FULL_SHARE)
    )
    size = (shape[1], shape[0])
    share = warp_picture(
        (rise / top).astype(np.float32), picture_from_thermal, size=size, smooth=True
    )
    alpha = warp_picture(alpha.astype(np.float32), picture_from_thermal, size=size, smooth=True)
    rgba = heat_colours()(np.clip(share, 0, 1)).astype(np.float32)
    rgba[..., 3] = np.clip(alpha, 0, _MOST_OPAQUE)
    return Layer(rgba=rgba, top_k=top, lit=bool(alpha.max() > 0), smoothed=not strong)


def _near(spots: tuple[Spot, ...], shape: tuple[int, ...]) -> FloatArray:
    """Return 1 at spots, falling off over a few blur widths, 0 far away."""
    y, x = np.mgrid[0 : shape[0], 0 : shape[1]].astype(np.float64)
    near = np.zeros(shape)
    for spot in spots:
        r2 = (x - spot.xy_px[0]) ** 2 + (y - spot.xy_px[1]) ** 2
        near = np.maximum(near, np.exp(-0.5 * r2 / _NEAR_SPOT_PX**2))
    return near


def _ramp(value: NDArray[Any], begin: float, full: float) -> NDArray[Any]:
    x = np.clip((value - begin) / (full - begin), 0, 1)
    return x * x * (3 - 2 * x)


def _blur(array: FloatArray, sigma: float) -> FloatArray:
    return np.asarray(
        cv2.GaussianBlur(array, (0, 0), sigma, borderType=cv2.BORDER_REFLECT_101), dtype=np.float64
    )
