"""What happens on a bench besides the fault: drifts, shutters, hands, draughts, broken pixels."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, gaussian_filter1d


@dataclass(frozen=True)
class Level:
    """How much of each, in K unless the name says otherwise; 0 leaves it out."""

    drift_k: float = 0.3
    walk_k: float = 0.05
    low_order_k: float = 0.05
    ambient_k: float = 0.05
    draught_k: float = 0.0
    hand_k: float = 0.0
    shutter_every_s: float = 0.0
    bump_px: float = 0.0
    repeat_share: float = 0.0
    bad_share: float = 0.0005


@dataclass(frozen=True)
class Shutter:
    """Shutter events and what they do: frozen frames, and a segment number for each frame."""

    times_s: tuple[float, ...]
    frozen: NDArray[np.bool_]
    segment: NDArray[np.int64]


def wander(t_s: NDArray, *, smooth_s: float, rng: np.random.Generator) -> NDArray[np.float64]:
    """Return a smooth random course of unit spread over the times given."""
    step = 0.1
    n = int(t_s[-1] / step) + 2
    pad = int(4 * smooth_s / step)
    course = gaussian_filter1d(rng.standard_normal(n + 2 * pad), smooth_s / step)[pad : pad + n]
    course *= np.sqrt(2 * np.sqrt(np.pi) * smooth_s / step)
    return np.interp(t_s, np.arange(n) * step, course)


def draw_shutter(t_s: NDArray, *, every_s: float, rng: np.random.Generator) -> Shutter:
    """Return shutter events about `every_s` apart (0: none)."""
    times: list[float] = []
    frozen = np.zeros(len(t_s), dtype=bool)
    segment = np.zeros(len(t_s), dtype=np.int64)
    at = every_s * rng.uniform(0.2, 1.0)
    while every_s > 0 and at < t_s[-1]:
        times.append(float(at))
        hold = rng.uniform(0.2, 1.0)
        frozen |= (t_s >= at) & (t_s < at + hold)
        segment[t_s >= at] += 1
        at += every_s * rng.uniform(0.7, 1.3)
    frozen[0] = False
    return Shutter(tuple(times), frozen, segment)


def camera_drift(
    t_s: NDArray,
    *,
    shape: tuple[int, int],
    level: Level,
    shutter: Shutter,
    rng: np.random.Generator,
) -> NDArray[np.float32]:
    """Return the camera's own drift, (frames, rows, cols): whole picture and low orders."""
    tau = rng.uniform(10, 80)
    whole = level.drift_k * rng.choice([-1, 1]) * (1 - np.exp(-t_s / tau))
    steps = rng.normal(0, 1, len(t_s)).cumsum() / np.sqrt(len(t_s))
    whole = whole + level.walk_k * steps
    # A shutter event brings most of the drift back to nought.
    for s in range(1, int(shutter.segment[-1]) + 1):
        after = shutter.segment == s
        if after.any():
            whole[after] -= 0.7 * whole[after][0]
    y, x = np.meshgrid(np.linspace(-1, 1, shape[0]), np.linspace(-1, 1, shape[1]), indexing="ij")
    out = np.repeat(whole.astype(np.float32)[:, None], shape[0] * shape[1], axis=1).reshape(
        -1, *shape
    )
    for pattern in (x, y, x * x + y * y - 2 / 3, x * y):
        course = level.low_order_k * wander(t_s, smooth_s=rng.uniform(4, 25), rng=rng)
        out += course.astype(np.float32)[:, None, None] * pattern.astype(np.float32)
    return out


def fixed_pattern(shape: tuple[int, int], *, pattern_k: float, rng: np.random.Generator) -> NDArray:
    """Return what one shutter event leaves: per pixel, and a little smooth and striped."""
    pixel = rng.standard_normal(shape)
    smooth = gaussian_filter(rng.standard_normal(shape), min(shape) / 8, mode="wrap")
    stripes = rng.standard_normal((1, shape[1]))
    return pattern_k * (0.9 * pixel + 0.3 * smooth / smooth.std() + 0.3 * stripes)


def hand_picture(
    t_s: NDArray, mirror: NDArray, *, peak_k: float, rng: np.random.Generator
) -> tuple[NDArray[np.float32], list[float]]:
    """Return the mirror image of a warm hand that comes and goes, and the times of its visits."""
    rows, cols = mirror.shape
    y, x = np.mgrid[:rows, :cols]
    out = np.zeros((len(t_s), rows, cols), dtype=np.float32)
    visits: list[float] = []
    for _ in range(int(rng.integers(1, 4))):
        start, stay = rng.uniform(0.05, 0.8) * t_s[-1], rng.uniform(2, 15)
        visits.append(float(start))
        size = rng.uniform(0.15, 0.4) * cols
        x0, x1 = rng.uniform(0, cols, 2)
        y0, y1 = rng.uniform(0, rows, 2)
        for k in np.flatnonzero((t_s > start - 1) & (t_s < start + stay + 1)):
            u = (t_s[k] - start) / stay
            there = np.clip(t_s[k] - start + 1, 0, 1) * np.clip(start + stay + 1 - t_s[k], 0, 1)
            mx = x0 + (x1 - x0) * u + 2 * np.sin(1.7 * t_s[k])
            my = y0 + (y1 - y0) * u + 2 * np.cos(1.3 * t_s[k])
            blob = np.exp(-((x - mx) ** 2 + (y - my) ** 2) / (2 * size * size))
            out[k] += (peak_k * there * blob * mirror).astype(np.float32)
    return out, visits


def draught_picture(
    t_s: NDArray, emissivity: NDArray, *, sigma_k: float, rng: np.random.Generator
) -> NDArray[np.float32]:
    """Return what moving air does to the board's surface: smooth patches that wander."""
    shape = emissivity.shape
    out = np.zeros((len(t_s), *shape), dtype=np.float32)
    for _ in range(3):
        field = gaussian_filter(rng.standard_normal(shape), min(shape) / 5, mode="nearest")
        field = field / field.std() * 0.4 + 0.7
        course = sigma_k * wander(t_s, smooth_s=rng.uniform(2, 10), rng=rng) / np.sqrt(3)
        out += course.astype(np.float32)[:, None, None] * (field * emissivity).astype(np.float32)
    return out


def break_pixels(
    frames: NDArray, *, share: float, rng: np.random.Generator
) -> tuple[list[list[int]], list[list[int]]]:
    """Break pixels in place; return (x, y) of dead and of blinking ones."""
    n, rows, cols = frames.shape
    dead: list[list[int]] = []
    blinking: list[list[int]] = []
    for _ in range(rng.poisson(share * rows * cols)):
        r, c = int(rng.integers(rows)), int(rng.integers(cols))
        if rng.uniform() < 0.5:
            frames[:, r, c] = frames[:, r, c].mean() + rng.normal(0, 8) + rng.normal(0, 0.01, n)
            dead.append([c, r])
        else:
            flips = rng.uniform(size=n) < 1 / rng.uniform(10, 200)
            frames[:, r, c] += rng.uniform(0.2, 1.5) * (np.cumsum(flips) % 2)
            blinking.append([c, r])
    return dead, blinking


def repeat_frames(
    frames: NDArray, *, share: float, frozen: NDArray, rng: np.random.Generator
) -> NDArray[np.bool_]:
    """Make frames show their predecessor again, in place; return which carry nothing new."""
    again = rng.uniform(size=len(frames)) < share
    again[0] = False
    again |= frozen
    for k in np.flatnonzero(again):
        frames[k] = frames[k - 1]
    return again
