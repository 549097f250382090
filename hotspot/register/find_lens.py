"""Is the lens straight? Radial distortion is measured with the map where the clicks show it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import optimize
from scipy.special import fdtrc

from hotspot.checks import FloatArray
from hotspot.register.clicks import NOISE_DOF
from hotspot.register.lens import MOST_K1, Lens, lens_of
from hotspot.register.levels import TILT_LEVELS, Fit, fit_most_likely

# Nine numbers (homography and k1) from eight clicks leave seven to tell a lens from noise.
FEWEST_FOR_LENS = 8
# Thermal lenses of 25 to 50 degrees shift the corners by up to about 5 % (common practice, no
# source): prior on k1, whose unit is that share.
_K1_SIGMA = 0.05
# F test: straight lenses are called bent once in a hundred registrations.
_LEVEL = 0.01
_STEP = 0.004  # of k1 for derivatives: moves the corner of a 256-pixel picture by 0.6 px


@dataclass(frozen=True, slots=True, eq=False)
class LensFit:
    """A lens and what its error means for the map behind it.

    Attributes
    ----------
    lens
        The lens.
    by_k1
        (8,) derivative of the map's entries by k1.
    """

    lens: Lens
    by_k1: FloatArray


def find_lens(
    source: FloatArray,
    destination: FloatArray,
    *,
    shape: tuple[int, int],
    sigma: tuple[float, float],
    mirrored: bool,
    fit: Callable[[Lens], Fit],
) -> LensFit | None:
    """Return the lens that the clicks show, or None where a straight one explains them as well.

    The most likely k1 is found along the profile of the likelihood; it is believed when an F test
    of the misfit with and without it says so. The noise of the test is pooled from the residuals
    and the assumption, as everywhere in these fits.

    Parameters
    ----------
    source, destination
        (n, 2) trusted clicks; the source is the camera with the lens.
    shape
        (rows, cols) of the camera's picture.
    sigma
        Click noise on both sides.
    mirrored
        Whether the map turns the plane over.
    fit
        Makes the final kind of fit from the source points as a lens straightens them.
    """
    n = len(source)
    if n < FEWEST_FOR_LENS:
        return None

    def chi2_at(k1: float) -> float:
        lens = lens_of(shape, k1=k1)
        return fit_most_likely(
            lens.straightened(source),
            destination,
            source_covs=lens.straightened_covs(source),
            sigma_source=sigma[0],
            sigma_destination=sigma[1],
            model="homography",
            mirrored=mirrored,
            tilt=TILT_LEVELS[-1],
        ).chi2

    def cost_at(k1: float) -> float:
        return chi2_at(k1) + (k1 / _K1_SIGMA) ** 2

    found = optimize.minimize_scalar(
        cost_at, bounds=(-MOST_K1, MOST_K1), method="bounded", options={"xatol": 2e-4}
    )
    k1 = float(found.x)
    bent, straight = chi2_at(k1), chi2_at(0.0)
    free = 2 * n - 9 + NOISE_DOF
    noise = (NOISE_DOF + bent) / free
    if fdtrc(1, free, max(straight - bent, 0.0) / noise) > _LEVEL:
        return None
    ahead, behind = cost_at(k1 + _STEP), cost_at(k1 - _STEP)
    curvature = max((ahead + behind - 2.0 * float(found.fun)) / _STEP**2, 2.0 / _K1_SIGMA**2)
    k1_sigma = float(np.sqrt(2.0 / curvature * max(1.0, noise)))
    sides = [fit(lens_of(shape, k1=k1 + step)).matrix.ravel()[:8] for step in (-_STEP, _STEP)]
    return LensFit(
        lens=lens_of(shape, k1=k1, k1_sigma=k1_sigma), by_k1=(sides[1] - sides[0]) / (2 * _STEP)
    )


def find_lens_and_wrong(
    count: int,
    *,
    wrong: tuple[int, ...],
    wrong_of: Callable[[Lens | None], tuple[int, ...]],
    lens_of_clicks: Callable[[list[int]], LensFit | None],
) -> tuple[tuple[int, ...], LensFit | None]:
    """Return the wrong clicks and the lens, each found in the light of the other.

    Without the lens the clicks in the corners, which show it best, may look wrong; with a wrong
    click among them a straight lens may look bent. So the lens is measured on the trusted clicks,
    the wrong ones are looked for again behind it, and it must still be there without them. Only
    when several clicks look wrong, which hands seldom do, are all clicks asked for a lens that
    would explain them better.
    """
    everything = list(range(count))
    trusted = [i for i in everything if i not in wrong]
    for first in [trusted, everything] if len(wrong) > 1 else [trusted]:
        guess = lens_of_clicks(first)
        if guess is None:
            continue
        then_wrong = wrong_of(guess.lens)
        kept = [i for i in everything if i not in then_wrong]
        bent = guess if kept == first else lens_of_clicks(kept)
        if bent is not None and len(then_wrong) <= len(wrong):
            return then_wrong, bent
    return wrong, None
