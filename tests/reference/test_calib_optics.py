"""Flat field, sharpness, geometry, emissivity: worked examples, closed forms, libraries."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from scipy.special import ndtr

from calib.defects import find_defects
from calib.emissivity import known_surfaces, measure_emissivity
from calib.frames import read_stack
from calib.geometry import fit_pinhole_lens, fit_rig
from calib.grid import Grid
from calib.overview import SEEN_SIGMAS
from calib.radiometry import Uncertain
from calib.sharpness import measure_edge
from calib.uniformity import fit_flat_field
from hotspot.frame import ArraySource, Recording
from hotspot.profile import CameraProfile

DATA = Path(__file__).resolve().parents[1] / "data" / "walking_animal"


def test_two_point_correction_worked_example() -> None:
    # Two-point correction of three invented pixels, worked by hand from g = (m2-m1)/(y2-y1).
    first = np.array([[7010.0, 6950.0, 7100.0]])
    second = np.array([[7790.0, 7820.0, 7860.0]])
    flat = fit_flat_field(first, second)
    np.testing.assert_allclose(flat.gain[0], [1.0299145, 0.9233716, 1.0570175], rtol=1e-6)
    np.testing.assert_allclose(flat.offset[0], [-199.7009, 602.5670, -484.8246], atol=1e-3)
    np.testing.assert_allclose(flat.apply(first)[0], 7020.0, atol=1e-3)
    np.testing.assert_allclose(flat.apply(second)[0], 7823.333, atol=1e-3)
    raw = np.full((1, 3), 7400.0)
    np.testing.assert_allclose(flat.apply(raw)[0], [7421.667, 7435.517, 7337.105], atol=1e-3)


@pytest.mark.parametrize("sigma", [0.5, 0.8, 1.5])
@pytest.mark.parametrize("angle_deg", [3.0, 10.0])
def test_slanted_edge_reaches_the_closed_form(sigma: float, angle_deg: float) -> None:
    """A Gaussian lens (MTF exp(-2 π² σ² f²)) over square pixels (sinc along both axes), the edge
    profile averaged over 8 x 8 points a pixel; method of ISO 12233, numbers by closed form."""
    rows, cols, fine = 60, 44, 8
    y, x = np.mgrid[: rows * fine, : cols * fine]
    x, y = (x + 0.5) / fine - 0.5, (y + 0.5) / fine - 0.5
    t = np.radians(angle_deg)
    d = (x - cols / 2 - 0.3) * np.cos(t) - (y - rows / 2) * np.sin(t)
    image = 20 + 10 * ndtr(d / sigma).reshape(rows, fine, cols, fine).mean(axis=(1, 3))
    found = measure_edge(image)
    f = found.frequency
    true = np.exp(-2 * (np.pi * sigma * f) ** 2)
    true *= np.abs(np.sinc(f * np.cos(t)) * np.sinc(f * np.sin(t)))
    near = f <= 0.5
    assert np.abs(found.mtf - true)[near].max() < 0.005
    assert found.mtf50.value == pytest.approx(float(np.interp(0.5, true[::-1], f[::-1])), abs=2e-3)
    assert found.psf_sigma_px.value == pytest.approx(np.hypot(sigma, 12**-0.5), abs=4e-3)
    assert found.angle_deg == pytest.approx(angle_deg, abs=0.05)


def tilted_views(seed: int, *, k1: float, noise_px: float) -> tuple[np.ndarray, ...]:
    """Views of a 9 x 6 grid projected by OpenCV."""
    rng = np.random.default_rng(seed)
    matrix = np.array([[220, 0, 79.5], [0, 220, 59.5], [0, 0, 1.0]])
    grid = Grid(9, 6, 5.0)
    target = np.column_stack([grid.points_mm - grid.points_mm.mean(axis=0), np.zeros(54)])
    out = []
    for _ in range(6):
        turn = np.radians(rng.uniform(-30, 30, 3)) * [1, 1, 0.3]
        place = np.array([rng.uniform(-5, 5), rng.uniform(-4, 4), 90 + rng.uniform(-8, 8)])
        seen, _ = cv2.projectPoints(target, turn, place, matrix, np.array([k1, 0, 0, 0, 0.0]))
        out.append(seen.reshape(-1, 2) + noise_px * rng.standard_normal((54, 2)))
    return tuple(out)


def test_rig_distortion_is_opencvs_first_radial_term() -> None:
    grid, shape = Grid(9, 6, 5.0), (120, 160)
    for k1 in (-0.25, 0.1):
        rig = fit_rig(tilted_views(1, k1=k1, noise_px=0.0), grid, shape=shape)
        # Radius in units of half the diagonal (100 px) instead of the focal length (220 px).
        assert rig.distortion.value == pytest.approx(k1 * (100 / 220) ** 2, abs=2e-4)
        assert rig.rms_px < 0.01


def test_focal_length_and_distortion_with_honest_errors() -> None:
    grid, shape = Grid(9, 6, 5.0), (120, 160)
    focal, k1, rig = [], [], []
    for seed in range(10):
        views = tilted_views(seed, k1=-0.25, noise_px=0.05)
        lens = fit_pinhole_lens(views, grid, shape=shape)
        focal.append((lens.focal_px.value - 220) / lens.focal_px.sigma)
        k1.append((lens.k1.value + 0.25) / lens.k1.sigma)
        found = fit_rig(views, grid, shape=shape).distortion
        rig.append((found.value + 0.25 * (100 / 220) ** 2) / found.sigma)
    for pulls in (focal, k1, rig):
        assert abs(np.mean(pulls)) < 1.1
        assert 0.4 < np.std(pulls) < 1.8


def test_emissivity_from_published_apparent_temperatures() -> None:
    # Apparent temperatures computed with scipy from the radiometric chain (Vollmer and Möllmann,
    # ch. 2-3): true 60 °C, surroundings 23 °C. A board at 23 °C shows 23 °C whatever it is.
    apparent = np.array([[58.3822, 56.7456, 46.4869, 35.3315, 27.2641]])
    found = measure_emissivity(
        np.full((1, 5), 23.0),
        apparent,
        cool_board=Uncertain(23.0, 0.1),
        warm_board=Uncertain(60.0, 0.1),
    )
    np.testing.assert_allclose(found.emissivity[0], [0.95, 0.9, 0.6, 0.3, 0.1], atol=2e-5)
    assert found.reflected_c == pytest.approx(23.0, abs=0.01)


def test_known_emissivities_lie_in_handbook_ranges() -> None:
    # Incropera et al., table A.11, and Steketee 1973, from memory.
    table = {s.name: (s.low, s.high) for s in known_surfaces()}
    assert table["skin"] == (0.97, 0.99)
    assert table["copper, polished"] == (0.02, 0.05)
    assert table["water"][0] >= 0.95


def test_real_frames_hold_hardly_a_bad_pixel_and_show_one_that_is_put_in() -> None:
    """python-cptv test data, see ATTRIBUTION.md: counts rounded to about the noise, not uniform."""
    with np.load(DATA / "empty.npz") as stored:
        frames = np.cumsum(stored["difference"], axis=0, dtype=np.int32).astype(np.uint16)
    frames[:, 60, 80] = frames[0, 60, 80]  # stands still
    frames[:, 70, 40] += (14 * (np.arange(len(frames)) // 7 % 2)).astype(np.uint16)  # jumps
    profile = CameraProfile("outdoor", 160, 120)
    recording = Recording("empty", profile, np.arange(len(frames)) / 9, ArraySource(frames))
    found = find_defects(read_stack(recording))
    assert (40, 70) in found.bad_pixels
    # A dozen pixels, most of them in one place where something stirs; 19200 are judged.
    assert len(found.bad_pixels) <= 20


def test_five_sigmas_over_a_picture() -> None:
    # One-sided tail of the normal distribution at 5: 2.866516e-7 (Abramowitz and Stegun, ch. 26).
    tail = float(ndtr(-SEEN_SIGMAS))
    assert tail == pytest.approx(2.866516e-7, rel=1e-6)
    assert 256 * 192 * tail == pytest.approx(0.0141, abs=1e-4)
