"""Frames whose truth is known by construction: a warm spot, noise, drift, a patterned board."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hotspot.frame import ArraySource, Recording, SwitchLog
from hotspot.profile import CameraProfile

COUNT_C = 0.005


@dataclass(frozen=True)
class Made:
    """What to make."""

    rows: int = 48
    cols: int = 66
    seconds: float = 24.0
    rate_hz: float = 9.0
    xy_px: tuple[float, float] = (40.3, 19.7)
    sigma_px: float = 1.6
    peak_k: float = 0.1
    tau_s: float = 2.0
    edges_s: tuple[float, ...] = (8.0,)
    noise_k: float = 0.05
    drift_k: float = 0.3
    logged: bool = True
    seed: int = 1


def lumped(t_s: NDArray, edges_s: tuple[float, ...], tau_s: float) -> NDArray:
    """Rise of a lumped body, 1 when warm through: a sum of shifted exponentials, one an edge."""
    out = np.zeros_like(t_s)
    for i, edge in enumerate(edges_s):
        late = np.maximum(t_s - edge, 0.0)
        out += (1 if i % 2 == 0 else -1) * (1 - np.exp(-late / tau_s))
    return out


def spot(made: Made) -> NDArray:
    y, x = np.mgrid[: made.rows, : made.cols]
    r2 = (x - made.xy_px[0]) ** 2 + (y - made.xy_px[1]) ** 2
    return np.exp(-0.5 * r2 / made.sigma_px**2)


def times(made: Made) -> NDArray:
    return np.arange(round(made.seconds * made.rate_hz)) / made.rate_hz


def celsius(made: Made) -> NDArray:
    """(n, rows, cols) float64 in °C."""
    rng = np.random.default_rng(made.seed)
    t_s = times(made)
    board = np.full((made.rows, made.cols), 24.0)
    for _ in range(30):
        y, x = rng.integers(0, made.rows - 4), rng.integers(0, made.cols - 4)
        board[y : y + rng.integers(3, 9), x : x + rng.integers(3, 9)] += rng.normal(0, 0.5)
    rise = made.peak_k * lumped(t_s, made.edges_s, made.tau_s)
    drift = made.drift_k * (1 - np.exp(-t_s / 20.0))
    frames = board + rise[:, None, None] * spot(made) + drift[:, None, None]
    return frames + made.noise_k * rng.standard_normal(frames.shape)


def counts(made: Made) -> NDArray[np.uint16]:
    return np.round((celsius(made) + 20.0) / COUNT_C).astype(np.uint16)


def profile(made: Made) -> CameraProfile:
    return CameraProfile(
        "made here",
        made.cols,
        made.rows,
        scale=COUNT_C,
        offset=-20.0,
        frame_rate_hz=made.rate_hz,
        psf_sigma_px=1.0,
    )


def log(made: Made) -> SwitchLog:
    t = np.array([0.0, *made.edges_s])
    on = np.arange(len(t)) % 2 == 1
    nothing = np.full(len(t), np.nan)
    return SwitchLog(t_s=t, on=on, volts=nothing, amps=nothing)


def recording(made: Made, frames: NDArray | None = None, t_s: NDArray | None = None) -> Recording:
    return Recording(
        name="made here",
        profile=profile(made),
        t_s=times(made) if t_s is None else t_s,
        source=ArraySource(counts(made) if frames is None else frames),
        injection=log(made) if made.logged else None,
    )
