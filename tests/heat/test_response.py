"""Generalised least squares of the heat: algebra that must hold, and noise that must be as said."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from scipy.linalg import cholesky, lstsq, solve_triangular

from hotspot.heat.drive import Drive, drive_from_edges
from hotspot.heat.noise import SLOW_TAUS_S, TemporalNoise
from hotspot.heat.response import (
    AGE_EDGES_S,
    BODY_TAUS_S,
    LOSS_TAU_S,
    Contrasts,
    build_atoms,
    build_contrasts,
    whitening,
)

BINS = 80
T_S = np.arange(BINS) * 0.5 + 0.25
SEGMENT = (np.arange(BINS) >= 50).astype(np.int64)


def covariance() -> np.ndarray:
    slow = np.zeros(len(SLOW_TAUS_S))
    slow[2], slow[4] = 3e-4, 6e-4
    return TemporalNoise(white_sigma=0.05, slow_variance=slow).covariance(
        T_S, frames=np.full(BINS, 4)
    )


def contrasts(drive: Drive) -> Contrasts:
    atoms = build_atoms(drive, t_s=T_S)
    quiet = np.array([np.cos(np.pi * j * T_S / T_S[-1]) for j in range(1, 20)])
    return build_contrasts(
        atoms,
        whitener=whitening(covariance(), segment=SEGMENT),
        binned=(atoms.body, atoms.spread),
        quiet_functions=quiet,
    )


def test_whitening_is_the_projected_inverse() -> None:
    c = covariance()
    w = whitening(c, segment=SEGMENT)
    scale = np.abs(w).max()
    np.testing.assert_allclose(w @ c @ w, w, atol=1e-9 * scale)
    np.testing.assert_allclose(w @ (SEGMENT == 0), 0.0, atol=1e-9 * scale)
    np.testing.assert_allclose(w @ (SEGMENT == 1), 0.0, atol=1e-9 * scale)
    assert np.linalg.matrix_rank(w, tol=1e-9 * scale) == BINS - 2


def test_whitening_removes_further_functions_of_time() -> None:
    extra = np.stack([T_S, T_S**2], axis=1)
    w = whitening(covariance(), segment=SEGMENT, extra=extra)
    np.testing.assert_allclose(w @ extra, 0.0, atol=1e-7 * np.abs(w).max())


def test_one_response_gives_the_estimate_of_ordinary_generalised_least_squares() -> None:
    """Against scipy: Cholesky-whitened lstsq with the segment offsets as further columns."""
    rng = np.random.default_rng(41)
    c, y = covariance(), rng.standard_normal(BINS)
    r = drive_from_edges((9.0,)).lowpass(T_S, tau_s=3.0)
    design = np.stack([r, SEGMENT == 0, SEGMENT == 1], axis=1).astype(float)
    factor = cholesky(c, lower=True)
    white_design = solve_triangular(factor, design, lower=True)
    expected = lstsq(white_design, solve_triangular(factor, y, lower=True))[0][0]
    variance = np.linalg.inv(white_design.T @ white_design)[0, 0]
    w = whitening(c, segment=SEGMENT)
    assert r @ w @ y / (r @ w @ r) == pytest.approx(expected, rel=1e-8)
    assert 1 / (r @ w @ r) == pytest.approx(variance, rel=1e-8)


@pytest.mark.parametrize("edges", [(9.0,), (5.0, 9.0, 13.2, 17.0, 21.0, 25.3, 29.0, 33.0)])
def test_contrasts_have_unit_variance_and_quiet_ones_hold_no_signal(
    edges: tuple[float, ...],
) -> None:
    c, k = covariance(), contrasts(drive_from_edges(edges))
    np.testing.assert_allclose(k.weights @ c @ k.weights.T, np.eye(len(k.weights)), atol=1e-6)
    np.testing.assert_allclose(k.quiet @ c @ k.quiet.T, np.eye(len(k.quiet)), atol=1e-6)
    np.testing.assert_allclose(k.quiet @ c @ k.weights.T, 0.0, atol=1e-6)
    # The basis leaves out little of any member of the family: the quiet contrasts hear less than
    # a fifth of its amplitude, 4 % of its energy.
    atoms = build_atoms(drive_from_edges(edges), t_s=T_S)
    heard = np.linalg.norm(k.weights @ atoms.body.T, axis=0)
    leaked = np.linalg.norm(k.quiet @ atoms.body.T, axis=0)
    assert np.all(leaked < 0.2 * heard)


def test_contrasts_have_unit_variance_in_noise_as_drawn() -> None:
    rng = np.random.default_rng(42)
    k = contrasts(drive_from_edges((9.0,)))
    noise = cholesky(covariance(), lower=True) @ rng.standard_normal((BINS, 4000))
    noise += rng.standard_normal(4000) * (SEGMENT == 1)[:, None]  # free offsets
    got = (k.weights @ noise).var(axis=1)
    np.testing.assert_allclose(got, 1.0, atol=5 * np.sqrt(2 / 4000))


def test_contrasts_keep_nearly_all_that_the_best_single_filter_would() -> None:
    c, drive = covariance(), drive_from_edges((9.0,))
    k, w = contrasts(drive), whitening(c, segment=SEGMENT)
    for tau_s in (0.5, 1.0, 4.0, 12.0):  # none of them a member of the family
        r = drive.lowpass(T_S, tau_s=tau_s)
        assert np.linalg.norm(k.weights @ r) == pytest.approx(np.sqrt(r @ w @ r), rel=0.02)
        fitted = k.courses.T @ (k.weights @ r)
        left = (r - fitted) @ w @ (r - fitted)
        assert left < 0.03 * (r @ w @ r)


def test_spreading_heat_is_the_body_integrated_over_its_ages() -> None:
    drive = drive_from_edges((3.0, 9.0))
    t = np.array([2.0, 5.0, 9.0, 14.0, 30.0])
    atoms = build_atoms(drive, t_s=t)
    for i, tau_s in enumerate(BODY_TAUS_S):
        for j, (young, old) in enumerate(pairwise(AGE_EDGES_S)):
            age = np.linspace(young, old, 801)
            body = np.stack([drive.lowpass(t - a, tau_s=tau_s) for a in age])
            by_hand = np.trapezoid(body, age, axis=0)
            loss = np.exp(-0.5 * (young + old) / LOSS_TAU_S)
            np.testing.assert_allclose(atoms.spread[i, j], by_hand * loss, atol=2e-3 * old)


def test_a_drive_beyond_the_recording_gives_no_contrast() -> None:
    assert len(contrasts(drive_from_edges((500.0,))).weights) == 0
