"""Shutter events: the camera recalibrates, its picture freezes or goes blank, its offsets step."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from hotspot.checks import FloatArray

# A freeze lasts this long (s). Shutters close for 0.3 to 1 s (common practice, no source); a
# still picture of more than 2.5 s is a still scene or a stalled camera.
FREEZE_S = (0.2, 2.5)
# ... and is this many times longer than the copies that the camera makes all the time (25 Hz
# delivered, 9 Hz seen: two copies a look).
FREEZE_RUNS = 3.0
# ... and so long that copies falling at random would make one in fewer than this share of
# recordings; else its picture must have changed to show that a shutter was closed.
FREEZE_CHANCE = 0.01
# A step of the whole picture stands this many robust sd above the usual frame-to-frame change.
STEP_SIGMAS = 8.0
# ... and is at least this share of one pixel's noise: less is no harm (it is common to all
# pixels, and common changes are fitted in every frame anyway).
STEP_NOISE_SHARE = 0.1
# Zones that must take part in a step that came without a freeze, within half to double of it.
STEP_ZONES = 0.75
# A frame is blank when its structure falls below this share of the usual, in zones and in fine
# detail. A hand before the lens has structure of its own.
BLANK_SHARE = 0.3
# Without a closed shutter a new pattern must exceed the changes on either side this many times: a
# real scene is never still, and only two stretches of time are there to judge that by.
CLEAR_RATIO = 1.5
# A blank longer than this is a covered lens, not a shutter.
BLANK_S = 3.0


@dataclass(frozen=True, slots=True)
class ShutterEvent:
    """One recalibration of the camera.

    Attributes
    ----------
    index
        First frame after it.
    t_s
        Time of that frame.
    frozen
        Frames that were frozen or blank.
    step
        Change of the whole picture, value units.
    pattern_rms
        Change of the per-pixel pattern, rms, value units, noise taken off; NaN if not measurable.
    pattern_changed
        Whether per-pixel offsets of the time before no longer hold.
    """

    index: int
    t_s: float
    frozen: int
    step: float
    pattern_rms: float = float("nan")
    pattern_changed: bool = True


@dataclass(frozen=True, slots=True)
class PatternChange:
    """Change of the per-pixel pattern across a moment.

    Attributes
    ----------
    rms
        Of the change, value units, noise taken off.
    fine
        The fine part changed significantly against the time on either side.
    clear
        ... and by far more than a scene changes that is not still (leaves, a trembling stand).
    shading
        The coarse part changed.
    """

    rms: float
    fine: bool
    clear: bool
    shading: bool


def find_runs(mask: NDArray[np.bool_]) -> tuple[tuple[int, int], ...]:
    """Return (first, end) of each run of True."""
    edges = np.flatnonzero(np.diff(np.r_[False, mask, False].astype(np.int8)))
    return tuple((int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True))


@dataclass(frozen=True, slots=True)
class Freeze:
    """A run of repeated frames that a closed shutter may have made.

    Attributes
    ----------
    first, end
        Frames of the run, `end` not included.
    certain
        Whether the camera's own copies hardly ever make a run as long.
    """

    first: int
    end: int
    certain: bool


def find_freezes(repeated: NDArray[np.bool_], t_s: FloatArray) -> tuple[Freeze, ...]:
    """Return the runs of repeated frames that may be a closed shutter.

    The longest usual run is what the camera's refresh makes; a freeze is far longer than that.
    Some cameras repeat frames at random, though, and of many runs one is long: how many so long
    are expected follows from how often a run that has reached the usual length goes on.
    """
    runs = find_runs(repeated)
    if not runs:
        return ()
    lengths = np.array([end - first for first, end in runs])
    frames_new = int(np.count_nonzero(~repeated))
    # The usual number of copies per look, over all looks, those without a copy included.
    per_look = np.sort(np.r_[lengths, np.zeros(max(frames_new - len(runs), 0), np.int64)])
    usual = float(per_look[int(0.75 * (len(per_look) - 1))])
    # A picture that stands still most of the time is a noiseless one, not a shutter.
    if np.mean(repeated) > 0.5 and usual == 0:
        return ()
    long = max(FREEZE_RUNS * usual + 1, 2)
    reached = int(np.count_nonzero((per_look >= usual) & (per_look < long)))
    went_on = int(np.count_nonzero((per_look > usual) & (per_look < long)))
    # Laplace's rule of succession: a share seen in few trials is not known to be nought.
    hazard = (went_on + 1) / (reached + 2)
    found = []
    for first, end in runs:
        start = t_s[first - 1] if first else t_s[first]
        stop = t_s[end] if end < len(t_s) else t_s[end - 1]
        lasting = FREEZE_S[0] <= stop - start <= FREEZE_S[1]
        if lasting and end - first >= long:
            expected = reached * hazard ** (end - first - usual)
            found.append(Freeze(first, end, certain=expected < FREEZE_CHANCE))
    return tuple(found)


def find_blanks(
    zones: NDArray[np.float32], roughness: NDArray[np.float32], t_s: FloatArray
) -> NDArray[np.bool_]:
    """Return (n,) bool: frames in which the scene's structure is gone.

    Parameters
    ----------
    zones
        (n, zones, zones) zone means.
    roughness
        (n,) mean square of fine structure, noise included.
    t_s
        (n,) times.
    """
    flat = zones.reshape(len(zones), -1)
    spread = flat.std(axis=1)
    usual_spread, usual_rough = float(np.median(spread)), float(np.median(roughness))
    # Roughness holds noise that stays in a blank frame, so it need only not rise.
    blank = (spread < BLANK_SHARE * usual_spread) & (roughness <= 1.05 * usual_rough)
    # Without structure there is nothing to lose: zones of pure noise differ by their own error.
    jitter = float(np.median(np.abs(np.diff(flat, axis=0)))) if len(flat) > 1 else 0.0
    if usual_spread <= 6 * jitter or usual_spread == 0:
        return np.zeros(len(zones), bool)
    out = np.zeros(len(zones), bool)
    for first, end in find_runs(blank):
        if t_s[end - 1] - t_s[first] <= BLANK_S:
            out[first:end] = True
    return out


def find_steps(
    zones: NDArray[np.float32], energy: FloatArray, *, noise: float
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return frames at which the whole picture, or its fine pattern, changes at once.

    Parameters
    ----------
    zones
        (m, zones, zones) zone means of the used frames.
    energy
        (m,) typical mean square difference to the used frame before.
    noise
        Standard deviation of a pixel in one frame.

    Returns
    -------
    steps
        Indices k into the used frames: a global step between k - 1 and k that stays.
    changes
        Indices at which the difference energy jumps: a new pattern or a bump, to be verified.

    Notes
    -----
    Heat from a part comes gradually and in few zones; a hand fills zones one after another and
    unequally. Only a change of the electronics moves nearly all zones alike within one frame.
    """
    flat = zones.reshape(len(zones), -1).astype(np.float64)
    none = np.zeros(0, np.intp)
    if len(flat) < 6:
        return none, none
    change = np.diff(flat, axis=0)
    step = np.median(change, axis=1)
    usual = _robust_sd(step)
    large = np.abs(step) > max(STEP_SIGMAS * usual, STEP_NOISE_SHARE * noise, 1e-12)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = change / step[:, None]
    together = np.mean((share > 0.5) & (share < 2.0), axis=1) >= STEP_ZONES
    steps = [
        int(k) + 1 for k in np.flatnonzero(large & together) if _stays(flat, int(k) + 1, step[k])
    ]
    log_energy = np.log(np.maximum(energy[1:], 1e-12))
    rise = log_energy - np.median(log_energy)
    # 8 robust sd, and 3 %: a pattern of a quarter of the noise adds 0.0625 / 2 of energy.
    jump = rise > max(8 * _robust_sd(rise), 0.03)
    return np.array(steps, np.intp), np.flatnonzero(jump) + 1


def _stays(flat: FloatArray, k: int, step: float) -> bool:
    """Whether the level after frame k differs from that before by much of the step."""
    before = np.median(flat[max(0, k - 4) : k], axis=0)
    after = np.median(flat[k : k + 4], axis=0)
    return bool(np.median(after - before) / step > 0.5)


def _robust_sd(values: FloatArray) -> float:
    return float(1.4826 * np.median(np.abs(values - np.median(values))))


def measure_pattern_change(
    before: tuple[NDArray[np.float32], NDArray[np.float32]],
    after: tuple[NDArray[np.float32], NDArray[np.float32]],
) -> PatternChange:
    """Return how the per-pixel pattern changed.

    Parameters
    ----------
    before, after
        Two mean pictures each, of equally many frames: early and late before, early and late
        after the event.

    Notes
    -----
    The difference across the event is compared with the differences within each side, which hold
    the same noise (also if it is correlated in time) but no change. Smooth parts are removed by
    subtracting a 5 x 5 mean; shading is judged on zone means. Medians over zones keep a warming
    part or a moving hand out.
    """
    calm = _calm_pixels(before[1] + after[0])
    fine, shading = _zone_power(after[0] - before[1], calm)
    fine_before, shading_before = _zone_power(before[1] - before[0], calm)
    fine_after, shading_after = _zone_power(after[1] - after[0], calm)
    fine_within = (fine_before + fine_after) / 2
    shading_within = (shading_before + shading_after) / 2
    excess = float(np.median(fine) - np.median(fine_within))
    # Error of a median of many zones: 1.2533 sd / sqrt(zones).
    scatter = _robust_sd(fine - fine_within) * 1.2533 / np.sqrt(fine.size)
    rough = bool(excess > 6 * scatter and excess > 0.1 * np.median(fine_within))
    smooth = bool(np.median(shading) > 9 * max(float(np.median(shading_within)), 1e-12))
    total = max(excess, 0.0)
    if smooth:
        total += max(float(np.median(shading - shading_within)), 0.0)
    worse = float(max(np.median(fine_before), np.median(fine_after)))
    clear = rough and float(np.median(fine)) > CLEAR_RATIO * worse
    return PatternChange(rms=float(np.sqrt(total)), fine=rough, clear=clear, shading=smooth)


def _calm_pixels(picture: NDArray[np.float32]) -> NDArray[np.bool_]:
    """Return the (rows, cols) mask of the calmer half of each zone.

    Where the scene has edges, a trembling of a fiftieth of a pixel looks like a new pattern; the
    sensor's own pattern is as strong between the edges.
    """
    rows, cols = picture.shape[0] // 8 * 8, picture.shape[1] // 8 * 8
    gy, gx = np.gradient(cv2.GaussianBlur(picture[:rows, :cols], (0, 0), 1.5))
    blocks = np.hypot(gx, gy).reshape(8, rows // 8, 8, cols // 8)
    calm = blocks <= np.median(blocks, axis=(1, 3), keepdims=True)
    out: NDArray[np.bool_] = calm.reshape(rows, cols)
    return out


def _zone_power(
    difference: NDArray[np.float32], calm: NDArray[np.bool_]
) -> tuple[FloatArray, FloatArray]:
    """Return (zones,) mean squares of the fine part, and of the zone means about their median."""
    rows, cols = calm.shape
    d = np.ascontiguousarray(difference[:rows, :cols])
    fine = (d - cv2.blur(d, (5, 5))) ** 2
    shape = (8, rows // 8, 8, cols // 8)
    means = d.reshape(shape).mean(axis=(1, 3), dtype=np.float64).ravel()
    blocks = np.where(calm, fine, np.nan).reshape(shape).transpose(0, 2, 1, 3).reshape(64, -1)
    # Trim each zone's strongest pixels: bad ones would hide a change of the others.
    blocks = np.sort(blocks, axis=1)
    count = np.sum(np.isfinite(blocks[0]))
    power = blocks[:, : int(0.98 * count)].mean(axis=1, dtype=np.float64)
    return power, (means - np.median(means)) ** 2
