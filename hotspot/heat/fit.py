"""From binned frames and a drive to contrast maps: the generalised least squares of the heat."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from hotspot.checks import FloatArray
from hotspot.heat.axes import build_axes
from hotspot.heat.bands import Bands, QuietBands, measure_bands, measure_quiet_bands
from hotspot.heat.bins import BinnedFrames
from hotspot.heat.calm import CalmBins
from hotspot.heat.doubt import left_of_courses, left_of_drift
from hotspot.heat.drift import find_common_patterns, without_patterns
from hotspot.heat.drive import Drive
from hotspot.heat.evident import LEAK_SHARE, is_evident
from hotspot.heat.movers import free_courses, moved_courses
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


@dataclass(frozen=True, slots=True, eq=False)
class Maps:
    """Maps of signal contrasts (k, rows, cols) and quiet ones (r, rows, cols), float32."""

    signal: NDArray[np.float32]
    quiet: NDArray[np.float32]


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
    free
        (bins, n) courses of what moved that were left free.
    moved_by
        Along how many axes something moved.
    as_it_moves
        Maps with nothing left free: what the metal mirrors is told by them.
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
    free: FloatArray
    moved_by: int
    as_it_moves: Maps


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
    build = _Build(atoms, binned=(body, spread), quiet=quiet, components=components)
    axes = build_axes(calm_bins.drift, good=~calm_bins.bad.reshape(-1))
    nothing = axes.amounts[:, :0]
    first = build.measured(calm_bins, free=nothing, covariance=calm_bins.covariance)
    if len(first.contrasts.weights) == 0:
        raise ValueError("the drive leaves no trace in the frames")
    measured, seen = first, _look(first.contrasts, calm_bins)
    as_it_moves = seen.maps
    moved = moved_courses(axes, contrasts=first.contrasts.quiet)
    free = nothing
    if not is_evident(seen.maps.signal, quiet=seen.maps.quiet, bad=calm_bins.bad):
        free = free_courses(
            moved,
            quiet=as_it_moves.quiet,
            values=calm_bins.bins.values,
            bad=calm_bins.bad,
            white=whitening(first.covariance, segment=bins.segment),
            body=body,
        )
    if free.shape[1]:
        measured = build.measured(calm_bins, free=free, covariance=first.covariance)
        seen = _look(measured.contrasts, calm_bins)
    contrasts, covariance = measured.contrasts, measured.covariance
    quiet_bands = measure_quiet_bands(
        seen.maps.quiet,
        quiet=contrasts.quiet,
        weights=contrasts.weights,
        covariance=covariance,
        components=components,
        bad=calm_bins.bad,
    )
    return HeatFit(
        maps=seen.maps.signal,
        quiet=seen.maps.quiet,
        contrasts=contrasts,
        atoms=atoms,
        body=body,
        spread=spread,
        covariance=covariance,
        quiet_bands=quiet_bands,
        bands=measure_bands(quiet_bands, maps=seen.maps.signal, bad=calm_bins.bad),
        still=seen.still,
        doubt=np.sqrt(
            left_of_drift(calm_bins, contrasts, seen.still) ** 2
            + left_of_courses(free, bins=bins, covariance=covariance) ** 2
            + seen.doubt**2
        ),
        free=free,
        moved_by=moved.shape[1],
        as_it_moves=as_it_moves,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Measured:
    """Contrasts, and the (bins, bins) noise of a pixel that they rest on."""

    contrasts: Contrasts
    covariance: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class _Build:
    """What contrasts are built from."""

    atoms: ResponseAtoms
    binned: tuple[FloatArray, FloatArray]
    quiet: FloatArray
    components: tuple[FloatArray, ...]

    def measured(
        self, calm_bins: CalmBins, *, free: FloatArray, covariance: FloatArray
    ) -> _Measured:
        """Return the contrasts with courses (bins, n) left free.

        The noise that matters is measured on contrasts that hold no signal, and these depend on
        the noise: the second round stands on its own measurement.
        """
        bins = calm_bins.bins
        for last in (False, True):
            contrasts = build_contrasts(
                self.atoms,
                whitener=whitening(covariance, segment=bins.segment, extra=free),
                binned=self.binned,
                quiet_functions=self.quiet,
            )
            if last or len(contrasts.quiet) < LEAST_QUIET:
                break
            amounts = fit_amounts(
                robust_variance(
                    contrasts.quiet.astype(np.float32) @ bins.values,
                    good=~calm_bins.bad.reshape(-1),
                ),
                contrasts=contrasts.quiet,
                components=self.components,
            )
            kinds = zip(amounts, self.components, strict=True)
            covariance = np.asarray(sum(a * c for a, c in kinds))
        return _Measured(contrasts, covariance)


@dataclass(frozen=True, slots=True, eq=False)
class _Look:
    """What contrasts show, what went back into it, and the doubt about what was taken out."""

    maps: Maps
    still: Still
    doubt: NDArray[np.float32]


def _look(contrasts: Contrasts, calm_bins: CalmBins) -> _Look:
    """Return what contrasts show of drift-free bins, without what wanders over the picture."""
    bins, bad = calm_bins.bins, calm_bins.bad
    maps, quiet = (
        (weights.astype(np.float32) @ bins.values).reshape(-1, *bins.shape)
        for weights in (contrasts.weights, contrasts.quiet)
    )
    still = find_still(
        calm_bins.drift,
        quiet=contrasts.quiet,
        signal=contrasts.weights,
        maps=maps,
        good=~bad.reshape(-1),
    )
    maps = maps + still.seen_by(contrasts.weights).reshape(maps.shape)
    quiet = quiet + still.seen_by(contrasts.quiet).reshape(quiet.shape)
    leaked = np.sum(quiet**2, axis=0) < LEAK_SHARE * np.sum(maps**2, axis=0)
    common = find_common_patterns(quiet, bad=bad | leaked)
    calmed = without_shared_courses(
        without_patterns(maps, common), without_patterns(quiet, common), bad=bad
    )
    return _Look(Maps(signal=calmed.maps, quiet=calmed.quiet), still, calmed.doubt)


def response_in(
    bins: BinnedFrames, drive: Drive, *, frame_t_s: FloatArray
) -> tuple[ResponseAtoms, FloatArray, FloatArray]:
    """Return the answers to a drive: per frame, and (taus, bins), (taus, ages, bins) over bins."""
    atoms = build_atoms(drive, t_s=frame_t_s)
    taus, ages, n = atoms.spread.shape
    spread = bins.binned(atoms.spread.reshape(taus * ages, n).T).T
    return atoms, bins.binned(atoms.body.T).T, spread.reshape(taus, ages, -1)


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
