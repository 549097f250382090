"""Landmarks without clicking each pair: kept for a stand, and read from touches of a recording."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from hotspot.board import Board
from hotspot.errors import InputError, RegistrationError
from hotspot.files.recorder import save_recording
from hotspot.frame import ArraySource, Recording
from hotspot.jobs.stand import fit_stand, keep_stand, list_stands, to_landmarks
from hotspot.jobs.touching import pair_touches
from hotspot.profile import CameraProfile
from hotspot.register.from_landmarks import fit_registration

ROWS, COLS = 96, 128
# Photo px from thermal px: four times as large, turned by two degrees, shifted.
TURN = np.deg2rad(2.0)
MATRIX = np.array(
    [
        [4 * np.cos(TURN), -4 * np.sin(TURN), 31.0],
        [4 * np.sin(TURN), 4 * np.cos(TURN), 17.0],
        [0.0, 0.0, 1.0],
    ]
)
CORNERS = np.array([[10.0, 8.0], [118.0, 9.0], [115.0, 86.0], [12.0, 85.0]])


def to_photo(points: np.ndarray) -> np.ndarray:
    out: np.ndarray = (np.c_[points, np.ones(len(points))] @ MATRIX.T)[:, :2]
    return out


def cold_picture(shift_px: tuple[float, float] = (0.0, 0.0)) -> np.ndarray:
    """A board with parts that shine differently, 25 °C, seen by a camera with 50 mK of noise."""
    rng = np.random.default_rng(3)
    fine = np.full((ROWS * 4, COLS * 4), 25.0, np.float32)
    cv2.rectangle(fine, (30, 24), (480, 356), 24.2, -1)
    for _ in range(40):
        x, y = int(rng.integers(50, 440)), int(rng.integers(44, 320))
        w, h = (int(v) for v in rng.integers(10, 46, 2))
        cv2.rectangle(fine, (x, y), (x + w, y + h), 24.2 + float(rng.normal(0, 0.8)), -1)
    move = np.array([[1, 0, 4 * shift_px[0]], [0, 1, 4 * shift_px[1]]], np.float32)
    moved = cv2.warpAffine(fine, move, (COLS * 4, ROWS * 4), borderMode=cv2.BORDER_REPLICATE)
    small = cv2.resize(
        cv2.GaussianBlur(moved, (0, 0), 3), (COLS, ROWS), interpolation=cv2.INTER_AREA
    )
    return small + np.random.default_rng(int(10 * sum(shift_px))).normal(0, 0.01, small.shape)


@pytest.fixture
def photo(tmp_path: Path) -> Path:
    path = tmp_path / "photo.png"
    cv2.imwrite(str(path), np.zeros((420, 560, 3), np.uint8))
    return path


def registered() -> object:
    return fit_registration(np.c_[CORNERS, to_photo(CORNERS)], None)


def test_a_stand_is_kept_listed_and_fits_again(tmp_path: Path, photo: Path) -> None:
    folder = tmp_path / "stands"
    name = keep_stand(
        folder, "Left arm, 2/3", photo=photo, registration=registered(), cold=cold_picture()
    )
    assert name == "left-arm-2-3"
    assert list_stands(folder, photo=photo) == (name,)
    fit = fit_stand(folder, name, photo=photo, cold=cold_picture())
    assert not fit.has_moved
    assert "lies as it did" in fit.says
    np.testing.assert_allclose(fit.landmarks[:, 2:], to_photo(fit.landmarks[:, :2]), atol=0.5)


def test_a_board_that_has_moved_is_followed_and_said(tmp_path: Path, photo: Path) -> None:
    folder = tmp_path / "stands"
    keep_stand(folder, "a", photo=photo, registration=registered(), cold=cold_picture())
    fit = fit_stand(folder, "a", photo=photo, cold=cold_picture((3.0, 0.0)))
    assert fit.has_moved
    assert fit.says == "the board has moved: 3 px; the landmarks moved with it"
    # What lies at (x, y) now lay at (x - 3, y) when the map was made.
    before = fit.landmarks[:, :2] - [3.0, 0.0]
    np.testing.assert_allclose(fit.landmarks[:, 2:], to_photo(before), atol=1.5)


def test_another_board_or_photo_is_refused(tmp_path: Path, photo: Path) -> None:
    folder = tmp_path / "stands"
    keep_stand(folder, "a", photo=photo, registration=registered(), cold=cold_picture())
    with pytest.raises(RegistrationError, match="stand a"):
        fit_stand(
            folder, "a", photo=photo, cold=np.random.default_rng(1).normal(25, 1, (ROWS, COLS))
        )
    with pytest.raises(RegistrationError, match="the camera gives"):
        fit_stand(folder, "a", photo=photo, cold=np.zeros((60, 80)))
    other = tmp_path / "other.png"
    cv2.imwrite(str(other), np.full((420, 560, 3), 9, np.uint8))
    assert list_stands(folder, photo=other) == ()
    with pytest.raises(InputError):
        fit_stand(folder, "a", photo=other, cold=cold_picture())


@pytest.mark.parametrize("name", ["", "  ", "../..", "…"])
def test_a_name_without_letters_is_refused(tmp_path: Path, photo: Path, name: str) -> None:
    with pytest.raises(InputError, match="no letter or digit"):
        keep_stand(tmp_path, name, photo=photo, registration=registered(), cold=cold_picture())


def test_a_name_never_leads_out_of_the_folder(tmp_path: Path, photo: Path) -> None:
    folder = tmp_path / "stands"
    keep_stand(folder, "../../etc/x", photo=photo, registration=registered(), cold=cold_picture())
    assert {p.parent for p in folder.rglob("*")} == {folder}


def test_landmarks_that_stand_for_a_map_give_it_back() -> None:
    first = registered()
    pairs = to_landmarks(first.photo_from_thermal, shape=(ROWS, COLS))
    again = fit_registration(pairs, None)
    np.testing.assert_allclose(again.photo_from_thermal.matrix, MATRIX, atol=1e-3)
    assert again.photo_from_thermal.outliers == ()


def touched(folder: Path, places: np.ndarray) -> None:
    """10 Hz; each place is touched for a second, two seconds apart."""
    rng = np.random.default_rng(7)
    t_s = np.arange(0, 3.0 * len(places) + 3.0, 0.1)
    y, x = np.mgrid[:ROWS, :COLS]
    frames = 25.0 + rng.normal(0, 0.05, (len(t_s), ROWS, COLS))
    for i, (px, py) in enumerate(places):
        spot = np.exp(-((x - px) ** 2 + (y - py) ** 2) / (2 * 1.5**2))
        since = t_s - (2.0 + 3.0 * i)
        course = np.where(since < 0, 0, np.where(since < 1, 1.0, np.exp(-(since - 1) / 0.5)))
        frames += 4.0 * course[:, None, None] * spot
    counts = np.rint(frames / 0.01).astype(np.uint16)
    profile = CameraProfile("touch", COLS, ROWS, scale=0.01, offset=0.0)
    save_recording(
        Recording("touch", profile, t_s=t_s, source=ArraySource(counts)), folder, container="tif"
    )


def test_touches_are_paired_with_the_clicks_in_order(tmp_path: Path) -> None:
    touched(tmp_path / "r", CORNERS)
    pairs = pair_touches(tmp_path / "r", to_photo(CORNERS), board=None)
    np.testing.assert_allclose(pairs[:, :2], CORNERS, atol=0.3)
    np.testing.assert_allclose(pairs[:, 2:], to_photo(CORNERS))


def test_a_touch_too_few_and_too_few_clicks_are_said(tmp_path: Path) -> None:
    touched(tmp_path / "r", CORNERS[:3])
    with pytest.raises(RegistrationError, match="3 touches were seen"):
        pair_touches(tmp_path / "r", to_photo(CORNERS), board=Board("b", parts=()))
    with pytest.raises(RegistrationError, match="Click three or more"):
        pair_touches(tmp_path / "r", to_photo(CORNERS[:2]), board=None)
