"""From binned frames and a drive to contrast maps: the generalised least squares of the heat."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from hotspot.checks import FloatArray
from hotspot.heat.bands import Bands, QuietBands, measure_bands, measure_quiet_bands
from hotspot.heat.bins import BinnedFrames
from hotspot.heat.calm import CalmBins
from hotspot.heat.drift import find_common_patterns, without_patterns
from hotspot.heat.drive import Drive
from hotspot.heat.noise import fit_amounts, noise_components, robust_variance
from hotspot.heat.response import (
    BODY_TAUS_S,
    Contrasts,
    ResponseAtoms,
    build_atoms,
    build_contrasts,
    whitening,
)
from hotspot.heat.still import LEAST_QUIET, Still, find_still
from hotspot.heat.together import without_shared_courses

# Shifts of the drive, as shares of its period or of the recording, that give quiet contrasts.
QUIET_SHIFTS = (0.15, 0.25, 0.35, 0.5, 0.65, 0.75, 0.85)
# Slow cosines that complete them: the noise at the very lowest frequencies.
QUIET_COSINES = 16
# Share of a strong spot's energy that its time course, a little unlike all in the family, may leave
# in all quiet contrasts together: a body four times quicker than the quickest leaves 3.5 %. What
# moves at times of its own leaves several times as much there as in the signal contrasts.
LEAK_SHARE = 0.05
# Drift of these kinds is taken out through the pattern of the cold picture ...
THROUGH_THE_PATTERN = ("structure", "board", "fine", "coarse", "shift", "mirror")
# ... and up to this share of it stays: emissivities read off a cold picture are good to about
# that, for part of its contrast is temperature (the scatter of bench values, from memory).
PATTERN_ERROR = 0.15
# What is wider than this is known from many pads together, and left to the noise of the bands, px.
PAD_SIGMA_PX = 4.0


@dataclass(frozen=True, slots=True, eq=False)
class HeatFit:
    """Contrast maps of a drive.

    Attributes
    ----------
    maps
        (k, rows, cols) float32 signal contrasts.
    quiet
        (r, rows, cols) float32 quiet contrasts.
    contrasts
        The temporal weights behind them.
    atoms
        Response time courses at the frame times.
    body, spread
        The same averaged over bins.
    covariance
        (bins, bins) noise of a pixel over time, as the quiet contrasts show it.
    quiet_bands
        Noise of smooth patterns, as the quiet contrasts show it.
    bands
        The same in the signal contrasts.
    still
        What was taken out as drift and put back, for nothing moved by it.
    doubt
        (rows, cols) float32 what drift removal may have left of itself in a signal contrast.
    """

    maps: NDArray[np.float32]
    quiet: NDArray[np.float32]
    contrasts: Contrasts
    atoms: ResponseAtoms
    body: FloatArray
    spread: FloatArray
    covariance: FloatArray
    quiet_bands: QuietBands
    bands: Bands
    still: Still
    doubt: NDArray[np.float32]


def fit_heat(calm_bins: CalmBins, drive: Drive, *, frame_t_s: FloatArray) -> HeatFit:
    """Return the contrast maps of a drive.

    Parameters
    ----------
    calm_bins
        Drift-free bins with their noise.
    drive
        Heating power over time.
    frame_t_s
        (n,) times of the frames that were given to the bins, left-out ones included.

    Raises
    ------
    ValueError
        If the drive leaves no trace that segment offsets cannot explain as well.
    """
    bins = calm_bins.bins
    atoms, body, spread = response_in(bins, drive, frame_t_s=frame_t_s)
    quiet = _quiet_functions(drive, frame_t_s=frame_t_s, bins=bins)
    components = noise_components(bins.t_s, frames=bins.frames)
    covariance = calm_bins.covariance
    good = ~calm_bins.bad
    # The noise that matters is measured on contrasts that hold no signal, and these depend on the
    # noise: the second round stands on its own measurement.
    for last in (False, True):
        contrasts = build_contrasts(
            atoms,
            whitener=whitening(covariance, segment=bins.segment),
            binned=(body, spread),
            quiet_functions=quiet,
        )
        quiet_maps = (contrasts.quiet.astype(np.float32) @ bins.values).reshape(-1, *bins.shape)
        if last or len(contrasts.quiet) < LEAST_QUIET:
            break
        amounts = fit_amounts(
            robust_variance(quiet_maps, good=good),
            contrasts=contrasts.quiet,
            components=components,
        )
        covariance = np.asarray(sum(a * c for a, c in zip(amounts, components, strict=True)))
    if len(contrasts.weights) == 0:
        raise ValueError("the drive leaves no trace in the frames")
    shape = bins.shape
    maps = (contrasts.weights.astype(np.float32) @ bins.values).reshape(-1, *shape)
    still = find_still(calm_bins.drift, quiet=contrasts.quiet, good=good.reshape(-1))
    maps = maps + still.seen_by(contrasts.weights).reshape(maps.shape)
    quiet_maps = quiet_maps + still.seen_by(contrasts.quiet).reshape(quiet_maps.shape)
    leaked = np.sum(quiet_maps**2, axis=0) < LEAK_SHARE * np.sum(maps**2, axis=0)
    common = find_common_patterns(quiet_maps, bad=calm_bins.bad | leaked)
    calmed = without_shared_courses(
        without_patterns(maps, common), without_patterns(quiet_maps, common), bad=calm_bins.bad
    )
    maps, quiet_maps = calmed.maps, calmed.quiet
    quiet_bands = measure_quiet_bands(
        quiet_maps,
        quiet=contrasts.quiet,
        weights=contrasts.weights,
        covariance=covariance,
        components=components,
        bad=calm_bins.bad,
    )
    return HeatFit(
        maps=maps,
        quiet=quiet_maps,
        contrasts=contrasts,
        atoms=atoms,
        body=body,
        spread=spread,
        covariance=covariance,
        quiet_bands=quiet_bands,
        bands=measure_bands(quiet_bands, maps=maps, bad=calm_bins.bad),
        still=still,
        doubt=np.hypot(_left_of_drift(calm_bins, contrasts, still), calmed.doubt),
    )


def response_in(
    bins: BinnedFrames, drive: Drive, *, frame_t_s: FloatArray
) -> tuple[ResponseAtoms, FloatArray, FloatArray]:
    """Return the answers to a drive: per frame, and (taus, bins), (taus, ages, bins) over bins."""
    atoms = build_atoms(drive, t_s=frame_t_s)
    taus, ages, n = atoms.spread.shape
    spread = bins.binned(atoms.spread.reshape(taus * ages, n).T).T
    return atoms, bins.binned(atoms.body.T).T, spread.reshape(taus, ages, -1)


def _left_of_drift(calm_bins: CalmBins, contrasts: Contrasts, still: Still) -> NDArray[np.float32]:
    """Return the scatter of what drift removal may have left of itself in a signal contrast.

    Drift that is seen through the emissivity pattern is taken out with the pattern of the cold
    picture, and that is not quite the same: a cold place is dark because it mirrors or because it
    is cold. What was taken out in step with the injection tells how much may be left, pad by pad.
    """
    drift, shape = calm_bins.drift, calm_bins.bins.shape
    pads = np.array([name.startswith(THROUGH_THE_PATTERN) for name in drift.names])
    amounts = (contrasts.weights @ drift.coefficients)[:, pads].astype(np.float32)
    taken = amounts @ drift.patterns[:, pads].T - still.seen_by(contrasts.weights)
    power = np.zeros(shape, dtype=np.float32)
    for picture in taken.reshape(-1, *shape):
        fine = picture - cv2.GaussianBlur(picture, (0, 0), PAD_SIGMA_PX)
        power = np.maximum(power, cv2.GaussianBlur(fine * fine, (0, 0), 1.0))
    return np.asarray(PATTERN_ERROR * np.sqrt(power), dtype=np.float32)


def restore_heat(fit: HeatFit, calm_bins: CalmBins) -> HeatFit:
    """Return the fit with what went as drift in step with the injection put back.

    Strong heat that reaches over the picture resembles the smooth patterns drift takes, and part
    of it is taken out with them; far above the noise, drift no longer matters. The common level
    stays out: it says nothing about where.

    Parameters
    ----------
    fit
        Contrast maps.
    calm_bins
        The bins behind them, with the drift taken out of them.
    """
    drift = calm_bins.drift
    kept = np.array([name != "level" and not name.startswith("mirror") for name in drift.names])
    in_step = (fit.contrasts.weights @ drift.coefficients)[:, kept].astype(np.float32)
    back = in_step @ drift.patterns[:, kept].T - fit.still.seen_by(fit.contrasts.weights)
    return replace(fit, maps=(fit.maps + back.reshape(fit.maps.shape)).astype(np.float32))


def bands_without(fit: HeatFit, calm_bins: CalmBins, *, described: NDArray[np.float32]) -> Bands:
    """Return the noise of smooth patterns once strong spots are known and taken away.

    Wide heat of a strong spot looks like drift to the first measurement, and hides what is weak.

    Parameters
    ----------
    fit
        The contrast maps.
    calm_bins
        The bins behind them.
    described
        (k, rows, cols) what the spots give in each contrast map.
    """
    return measure_bands(fit.quiet_bands, maps=fit.maps - described, bad=calm_bins.bad)


def _quiet_functions(drive: Drive, *, frame_t_s: FloatArray, bins: BinnedFrames) -> FloatArray:
    """Responses to the drive moved in time, and slow cosines, averaged over bins."""
    first, last = float(frame_t_s[0]), float(frame_t_s[-1])
    length = max(last - first, 1e-9)
    functions = []
    for share in QUIET_SHIFTS:
        # Moved round the end, so that every shift holds as much switching as the drive itself.
        t = first + np.mod(frame_t_s - first - share * length, length)
        functions += [drive.lowpass(t, tau_s=tau) for tau in BODY_TAUS_S[:3]]
        if len(drive.t_s) >= 6:  # a train: shift by parts of a cycle as well
            cycle = float(np.median(np.diff(drive.t_s[::2])))
            functions += [
                drive.lowpass(frame_t_s - share * cycle, tau_s=tau) for tau in BODY_TAUS_S[:3]
            ]
    phase = np.pi * (frame_t_s - first) / length
    functions += [np.cos(j * phase) for j in range(1, QUIET_COSINES + 1)]
    return bins.binned(np.array(functions).T).T
