"""What places show over time, made ready for the search for switching."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from hotspot.checks import FloatArray
from hotspot.heat.answers import Answer, build_answers
from hotspot.heat.bands import remove_stripes
from hotspot.heat.bins import BinnedFrames
from hotspot.heat.calm import CalmBins
from hotspot.heat.courses import (
    MOST_CONTROLS,
    SPREADS_PX,
    Courses,
    build_courses,
    control_places,
)
from hotspot.heat.noise import fit_temporal_noise
from hotspot.heat.response import whitening
from hotspot.heat.wide_courses import WIDE_SPREADS_PX, build_wide_courses

# A place is looked at through a Gaussian of this width in the picture-wide search, px: a warm
# spot with its surroundings.
PLACE_SIGMA_PX = 1.6
# At most this many places are followed in the picture-wide search.
MOST_PLACES = 6000


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """What places show, for the search for switching.

    Attributes
    ----------
    courses
        At the places looked at, in units of a pixel's noise.
    controls
        At places all over the picture: what noise does.
    white
        (bins, bins) from `hotspot.heat.response.whitening`.
    answers
        How a place may answer the switching.
    t_s
        (bins,) times.
    loudness
        (m,) how much each place changes over the recording, in units of what the picture's
        places usually do: tens where something is hot.
    """

    courses: Courses
    controls: Courses
    white: FloatArray
    answers: tuple[Answer, ...]
    t_s: FloatArray
    loudness: FloatArray


def see_at(
    calm_bins: CalmBins,
    *,
    places: FloatArray,
    cov_px2: FloatArray,
    emissivity: NDArray[np.float32] | None,
    mm_per_px: float | None,
    wide: bool = False,
) -> Seen:
    """Return what places show, beside places all over the picture.

    Parameters
    ----------
    calm_bins
        Drift-free bins with their noise.
    places, cov_px2
        (m, 2) places (x, y) in px and (m, 2, 2) extent of the heat at each.
    emissivity
        (rows, cols) how much of the heat each pixel shows, or None.
    mm_per_px
        Scale, or None.
    wide
        Whether each is seen in the whole picture (`hotspot.heat.wide_courses`), or through a
        window of some pixels.
    """
    controls = control_places(calm_bins.bins.shape)
    usual = np.broadcast_to(np.median(cov_px2, axis=0), (len(controls), 2, 2))
    build = build_wide_courses if wide else build_courses
    every = build(
        calm_bins.bins,
        bad=calm_bins.bad,
        places=np.concatenate([places, controls]),
        place_cov_px2=np.concatenate([cov_px2, usual]),
        emissivity=emissivity,
    )
    return _made_ready(
        every.at(slice(len(places))),
        controls=every.at(slice(len(places), None)),
        answers=build_answers(mm_per_px, spreads_px=WIDE_SPREADS_PX if wide else SPREADS_PX),
        bins=calm_bins.bins,
        free=calm_bins.movers,
    )


def see_everywhere(calm_bins: CalmBins, *, beside: NDArray[np.bool_] | None = None) -> Seen:
    """Return what Gaussian windows all over the picture of drift-free bins show.

    Parameters
    ----------
    calm_bins
        Drift-free bins with their noise.
    beside
        (rows, cols) what lies beside the board and is not looked at; None when unknown.
    """
    bins = calm_bins.bins
    rows, cols = bins.shape
    bad = calm_bins.bad
    step = max(2, int(np.ceil(np.sqrt(rows * cols / MOST_PLACES))))
    # Noise of a weighted mean goes with the sum of the squared weights, a Gaussian narrower by
    # sqrt 2: where the window is cut (border, bad pixels), more noise must not look like heat.
    good = (~bad).astype(np.float32)
    noise = np.sqrt(gaussian_filter(good, PLACE_SIGMA_PX / np.sqrt(2), mode="constant"))
    looked_at = np.ones(bad.shape, bool)[::step, ::step]
    if beside is not None and not beside[::step, ::step].all():
        looked_at = ~beside[::step, ::step]
    wide: list[NDArray[np.float32]] = []
    for picture in bins.values.reshape(-1, rows, cols):
        clean = remove_stripes(np.where(bad, np.float32(0), picture)[None])[0]
        # What the wider surroundings do is left over drift, or heat that is easier seen here.
        around = cv2.GaussianBlur(clean, (0, 0), 6 * PLACE_SIGMA_PX)
        smooth = cv2.GaussianBlur(clean, (0, 0), PLACE_SIGMA_PX, borderType=cv2.BORDER_CONSTANT)
        smooth = smooth / np.maximum(noise, 0.2) - around
        wide.append(smooth[::step, ::step][looked_at])
    far = np.stack(wide).astype(np.float32)
    far -= far.mean(axis=0)
    every = Courses(values=far[None], gram=np.ones((far.shape[1], 1, 1)))
    return _made_ready(
        every,
        controls=every.at(slice(None, None, max(1, far.shape[1] // MOST_CONTROLS))),
        answers=build_answers(None, spreads_px=SPREADS_PX[:1]),
        bins=bins,
        free=calm_bins.movers,
    )


def _made_ready(
    courses: Courses,
    *,
    controls: Courses,
    answers: tuple[Answer, ...],
    bins: BinnedFrames,
    free: FloatArray,
) -> Seen:
    """Courses in units of noise, measured as it is seen through these windows.

    A place that does anything but follow the noise model (a blinking pixel, a mirrored hand) is
    judged by its own scatter where that exceeds the typical: Student's t in place of the normal.
    """
    widths = range(len(courses.values))
    usual_width = len(courses.values) // 2
    still = controls.normalised(usual_width)
    change = 1.4826 * float(np.median(np.abs(np.diff(still, axis=0)))) + 1e-12
    noise = fit_temporal_noise(
        still / np.float32(change),
        t_s=bins.t_s,
        frames=bins.frames,
        segment=bins.segment,
        good=np.ones(still.shape[1], dtype=bool),
    )
    covariance = noise.covariance(bins.t_s, frames=bins.frames)
    white = whitening(covariance, segment=bins.segment, extra=free)
    white /= change**2
    left = max(1, len(bins.t_s) - len(np.unique(bins.segment)) - free.shape[1])

    def restless(seen: Courses) -> FloatArray:
        series = [seen.normalised(w) for w in widths]
        out: FloatArray = np.stack([np.einsum("bs,bs->s", s, white @ s) / left for s in series])
        return out

    usual = restless(controls)
    typical = np.maximum(np.median(usual, axis=1, keepdims=True), 1e-12)

    def own_scatter(power: FloatArray) -> FloatArray:
        out: FloatArray = np.sqrt(np.maximum((power / typical).max(axis=0), 1.0))
        return out

    level = 1 / np.sqrt(typical[usual_width, 0])
    return Seen(
        courses=courses.scaled(level / own_scatter(restless(courses))),
        controls=controls.scaled(level / own_scatter(usual)),
        white=white,
        answers=answers,
        t_s=bins.t_s,
        loudness=courses.normalised(usual_width).std(axis=0)
        / max(float(np.median(still.std(axis=0))), 1e-12),
    )
