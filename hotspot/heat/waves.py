"""Pictures as waves: the padded grid on which they are transformed, and what belongs to it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from hotspot.checks import FloatArray

# Zero border against the wrap-around of the Fourier transform, px.
PAD_PX = 24
# A picture fades at its borders over this part of its side, and over 2 px at least.
TAPER_SHARE = 1 / 12


def padded_shape(shape: tuple[int, int]) -> tuple[int, int]:
    """Return a shape with a zero border that transforms fast."""
    return (
        int(fft.next_fast_len(shape[0] + PAD_PX, real=True)),
        int(fft.next_fast_len(shape[1] + PAD_PX, real=True)),
    )


def frequencies(padded: tuple[int, int]) -> tuple[FloatArray, FloatArray]:
    """Return angular frequencies (ky as a column, kx as a row) in rad/px for rfft2."""
    ky = 2 * np.pi * np.fft.fftfreq(padded[0])[:, None]
    kx = 2 * np.pi * np.fft.rfftfreq(padded[1])[None, :]
    return ky, kx


def half_weights(padded: tuple[int, int]) -> FloatArray:
    """Return how often each column of an rfft2 counts in a sum over all frequencies."""
    columns = padded[1] // 2 + 1
    weight = np.full(columns, 2.0)
    weight[0] = 1.0
    if padded[1] % 2 == 0:
        weight[-1] = 1.0
    return weight[None, :]


def taper(shape: tuple[int, int]) -> NDArray[np.float32]:
    """Return (rows, cols) weights that fade towards the borders."""
    out: NDArray[np.float32] = np.outer(_fading(shape[0]), _fading(shape[1])).astype(np.float32)
    return out


def _fading(n: int) -> FloatArray:
    edge = max(2, int(n * TAPER_SHARE))
    out = np.ones(n)
    ramp = 0.5 - 0.5 * np.cos(np.pi * (np.arange(edge) + 0.5) / edge)
    out[:edge], out[-edge:] = ramp, ramp[::-1]
    return out
