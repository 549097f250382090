"""From bins to contrast maps, on made frames."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from hotspot.heat.audit import audit_frames
from hotspot.heat.calm import CalmBins, calm
from hotspot.heat.drive import drive_from_edges
from hotspot.heat.fit import fit_heat
from hotspot.heat.gather import gather_bins, level_and_align
from hotspot.heat.picture import hottest_bin
from hotspot.heat.values import value_converter
from hotspot.line import cold_picture
from tests.heat.made_frames import Made, lumped, recording, spot

MADE = Made(peak_k=0.2, tau_s=1.5)


def calmed(made: Made) -> tuple[CalmBins, np.ndarray]:
    source = recording(made)
    to_values = value_converter(source)
    audit = audit_frames(source, to_values=to_values)
    bins = gather_bins(source, audit, to_values=to_values)
    cold = cold_picture(bins, onset_s=made.edges_s[0] if made.edges_s else None)
    return calm(bins, cold=cold, bad=audit.bad), audit.t_s


def test_contrast_maps_have_unit_noise_and_the_fitted_rise_is_the_rise() -> None:
    calm_bins, t_s = calmed(MADE)
    assert calm_bins.noise.white_sigma == pytest.approx(MADE.noise_k, rel=0.05)
    fit = fit_heat(calm_bins, drive_from_edges(MADE.edges_s), frame_t_s=t_s)
    far = spot(replace(MADE, sigma_px=5.0)) < 1e-3
    assert np.std(fit.maps[:, far]) == pytest.approx(1.0, abs=0.06)
    assert np.std(fit.quiet[:, far]) == pytest.approx(1.0, abs=0.06)
    end = hottest_bin(fit)
    rise = np.einsum("k,kij->ij", fit.contrasts.courses[:, end], fit.maps)
    sigma = np.linalg.norm(fit.contrasts.courses[:, end])
    late = calm_bins.bins.t_s[end]
    meant = MADE.peak_k * lumped(np.array([late]), MADE.edges_s, MADE.tau_s)[0] * spot(MADE)
    # Drift removal takes a little of the spot as common level: under 5 % of its peak.
    pull = (rise - meant) / np.hypot(sigma, 0.05 * meant)
    assert np.std(pull) == pytest.approx(1.0, abs=0.12)
    assert np.abs(pull).max() < 5.5


def test_no_drive_within_the_recording_is_refused() -> None:
    calm_bins, t_s = calmed(MADE)
    with pytest.raises(ValueError, match="no trace"):
        fit_heat(calm_bins, drive_from_edges((400.0,)), frame_t_s=t_s)


def test_frames_are_levelled_and_moved_back() -> None:
    rng = np.random.default_rng(51)
    picture = rng.normal(25, 1, (30, 41)).astype(np.float32)
    moved = np.roll(picture, (1, 2), axis=(0, 1)) * np.float32(2.0) + np.float32(3.0)
    back = level_and_align(moved, gain=2.0, offset=3.0, shift_px=np.array([2.0, 1.0]))
    np.testing.assert_allclose(back[4:-4, 4:-4], picture[4:-4, 4:-4], atol=1e-4)


def test_the_cold_picture_is_the_mean_before_the_onset() -> None:
    made = replace(MADE, peak_k=5.0, drift_k=0.0, noise_k=0.01)
    source = recording(made)
    to_values = value_converter(source)
    bins = gather_bins(source, audit_frames(source, to_values=to_values), to_values=to_values)
    cold = cold_picture(bins, onset_s=made.edges_s[0])
    frames = to_values(next(iter(source.source.chunks(60))))
    np.testing.assert_allclose(cold, frames.mean(axis=0), atol=0.01)
    without = cold_picture(bins, onset_s=None)
    np.testing.assert_allclose(without, cold, atol=0.05)
