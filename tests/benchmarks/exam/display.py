"""Display video: automatic gain to 8 bits, false colours, and what a video encoder does."""

from __future__ import annotations

import colorsys

import matplotlib
import numpy as np
from numpy.typing import NDArray


def _ramp(stops: list[tuple[float, tuple[int, int, int]]]) -> NDArray[np.uint8]:
    at = np.linspace(0, 1, 256)
    where = [s[0] for s in stops]
    return np.stack(
        [np.interp(at, where, [s[1][c] for s in stops]) for c in range(3)], axis=1
    ).round().astype(np.uint8)  # fmt: skip


def palettes() -> dict[str, NDArray[np.uint8]]:
    """Return 256-colour tables by name."""
    out = {
        name: (matplotlib.colormaps[name](np.linspace(0, 1, 256))[:, :3] * 255)
        .round()
        .astype(np.uint8)
        for name in ("inferno", "jet", "plasma", "hot", "turbo", "viridis")
    }
    hue = np.linspace(0.72, 0.0, 256)
    out["wheel"] = np.array(
        [[round(255 * v) for v in colorsys.hsv_to_rgb(h, 1.0, 0.55 + 0.45 * k / 255)]
         for k, h in enumerate(hue)], dtype=np.uint8,
    )  # fmt: skip
    out["glow"] = _ramp([(0, (0, 0, 12)), (0.2, (52, 0, 120)), (0.42, (160, 20, 110)),
                         (0.62, (226, 84, 28)),
                         (0.82, (250, 176, 20)), (1, (255, 252, 224))])  # fmt: skip
    out["reversed grey"] = np.repeat(np.arange(255, -1, -1, dtype=np.uint8)[:, None], 3, axis=1)
    return out


def auto_gain(
    celsius: NDArray, *, rng: np.random.Generator
) -> tuple[NDArray[np.uint8], NDArray[np.float64]]:
    """Return 8-bit frames with automatic gain, and each frame's step in K.

    The range follows the frame's low and high percentiles with some inertia.
    """
    low_p, high_p = (float(rng.uniform(0, 0.5)), float(rng.uniform(99.7, 100)))
    inertia = float(rng.choice([0.0, 0.7, 0.95]))
    least_k = float(rng.uniform(1.5, 4.0))
    out = np.empty(celsius.shape, dtype=np.uint8)
    steps = np.empty(len(celsius))
    low = high = None
    for k, frame in enumerate(celsius):
        a, b = np.percentile(frame, [low_p, high_p])
        if b - a < least_k:
            a, b = (a + b - least_k) / 2, (a + b + least_k) / 2
        low = a if low is None else inertia * low + (1 - inertia) * a
        high = b if high is None else inertia * high + (1 - inertia) * b
        steps[k] = (high - low) / 255
        out[k] = np.clip(np.rint((frame - low) / steps[k]), 0, 255)
    return out, steps


def to_colour(
    grey: NDArray[np.uint8], palette: NDArray[np.uint8], *, chroma: float, rng: np.random.Generator
) -> NDArray[np.uint8]:
    """Return RGB frames; `chroma` is the spread of noise on each channel."""
    rgb = palette[grey]
    if chroma > 0:
        for k in range(len(rgb)):
            noise = rng.normal(0, chroma, rgb[k].shape)
            rgb[k] = np.clip(np.rint(rgb[k] + noise), 0, 255)
    return rgb
