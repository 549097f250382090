"""Registration on real, open data: a board photo with known holes, pairs that must be refused."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import cv2
import numpy as np
import pytest

from hotspot.errors import RegistrationError
from hotspot.register.automatic import register_automatically
from hotspot.register.fitting import map_points
from hotspot.register.landmarks import fit_plane_map

DATA = Path(__file__).resolve().parents[1] / "data"


def test_four_holes_place_a_part_on_a_real_photo():
    # tests/data/feather_board: holes and homography picked by hand on the board's photo, checked by
    # eye; U6 must land within 6 px (about 0.15 mm) of where that homography puts it.
    truth = json.loads((DATA / "feather_board/photo_truth.json").read_text())
    mm, px = np.array(truth["board_mm"]), np.array(truth["photo_px"])
    with (DATA / "feather_board/positions.csv").open(encoding="utf-8-sig") as file:
        (x, y) = next((float(r[1]), float(r[2])) for r in csv.reader(file) if r[0] == "U6")
    part = np.array([[x, y]])
    want = map_points(np.array(truth["H_mm_to_px"]), part)
    plain = fit_plane_map(mm, px, click_sigma_source_px=0.02, tilt_prior=False)
    assert np.abs(plain.map(part) - want).max() < 6
    likely = fit_plane_map(mm, px, click_sigma_source_px=0.02, click_sigma_destination_px=2.0)
    assert np.abs(likely.map(part) - want).max() < 6
    back = fit_plane_map(px, mm, click_sigma_source_px=2.0, click_sigma_destination_px=0.02)
    assert np.abs(back.map(want) - part).max() < 0.15


@pytest.mark.parametrize("name", ["stands", "posts", "lamps"])
def test_real_pairs_without_a_common_plane_are_refused(name):
    # tests/data/wall_pairs: paint on a wall has no thermal edges, and the targets stand in front of
    # it (parallax). Saying "cannot register" is the right answer.
    counts = np.load(DATA / f"wall_pairs/{name}.npz")["counts"].astype(np.float32)
    photo = cv2.cvtColor(cv2.imread(str(DATA / f"wall_pairs/{name}.jpg")), cv2.COLOR_BGR2RGB)
    found = register_automatically(counts, photo=photo, board=None)
    assert found.method == "none"
    assert "could not be matched" in found.warnings[0]


# Crossings of the six chequered targets of `stands`, read by eye in the full pictures (640 x 512
# and 1920 x 1080), good to about a pixel and two.
TARGETS_THERMAL = np.array(
    [[151.6, 219.9], [322.9, 240.0], [152.3, 420.0], [322.7, 394.0], [427.7, 272.5], [428.5, 453.0]]
)
TARGETS_PHOTO = np.array(
    [[590.2, 463.6], [980.5, 506.7], [591.9, 905.2], [980.6, 849.7], [1225.9, 578.1],
     [1216.9, 970.3]]
)  # fmt: skip


def test_targets_of_a_real_pair_fit_one_plane_map_within_the_published_residual():
    # tests/data/wall_pairs/ATTRIBUTION.md: about 5 thermal px.
    found = fit_plane_map(
        TARGETS_THERMAL, TARGETS_PHOTO, click_sigma_source_px=1.0, click_sigma_destination_px=2.0
    )
    assert found.model == "homography"
    back = found.inverse().map(TARGETS_PHOTO)
    assert np.linalg.norm(back - TARGETS_THERMAL, axis=1).max() < 5
    # The plain least-squares map of another library, at a point amid the targets.
    other = cv2.findHomography(TARGETS_THERMAL, TARGETS_PHOTO, 0)[0]
    amid = np.array([[290.0, 330.0]])
    assert np.linalg.norm(found.map(amid) - map_points(other, amid)) < 5
    # A target taken for its neighbour is noticed.
    with pytest.raises(RegistrationError):
        fit_plane_map(TARGETS_THERMAL, TARGETS_PHOTO[[1, 0, 2, 3, 4, 5]], find_wrong=False)
