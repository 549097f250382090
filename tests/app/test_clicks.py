"""Clicked points, landmarks and drawn parts: the logic behind the pictures."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from hotspot.app import shared
from hotspot.app.click_list import change_points
from hotspot.app.colours import MAPS, colour_table, to_rgb
from hotspot.board import Kind
from hotspot.errors import BoardError, InputError
from hotspot.files.photos import check_photo
from hotspot.jobs.board_pack import open_board
from hotspot.jobs.board_upload import import_for_job, keep_photo, to_part
from hotspot.jobs.cold_picture import first_picture, keep_cold, load_cold, to_png
from hotspot.jobs.drafts import Drafts
from hotspot.jobs.live_for_job import judge_landmarks, pair_landmarks, to_bounds
from hotspot.jobs.practice_job import open_practice_job, sample_board
from hotspot.store.entries import PlanEntry

POINTS = [(1.0, 2.0), (30.0, 4.0), (5.5, 60.0)]
SAMPLES = sample_board().parent


def test_points_are_added_moved_and_removed() -> None:
    assert change_points(POINTS, {"op": "add", "x": 7, "y": 8.5}) == [*POINTS, (7.0, 8.5)]
    moved = change_points(POINTS, {"op": "move", "index": 1, "x": 9, "y": 9})
    assert moved == [POINTS[0], (9.0, 9.0), POINTS[2]]
    assert change_points(POINTS, {"op": "remove", "index": 0}) == POINTS[1:]


@given(st.fixed_dictionaries({
    "op": st.sampled_from(["add", "move", "remove", "undo", "box", "x", None]),
    "x": st.one_of(st.floats(), st.none(), st.text(), st.booleans()),
    "y": st.one_of(st.floats(), st.none()),
    "index": st.one_of(st.integers(-9, 9), st.none(), st.floats()),
}))  # fmt: skip
def test_whatever_a_page_sends_leaves_good_points(event: dict[str, object]) -> None:
    after = change_points(list(POINTS), event)
    assert abs(len(after) - len(POINTS)) <= 1
    assert all(np.isfinite(p).all() and len(p) == 2 for p in after)


def test_clicks_do_not_grow_without_end() -> None:
    points: list[tuple[float, float]] = []
    for i in range(100):
        points = change_points(points, {"op": "add", "x": i, "y": i})
    assert len(points) == 40


def test_the_wrong_click_is_named() -> None:
    rng = np.random.default_rng(3)
    thermal = np.array([[10, 10], [150, 12], [145, 110], [12, 105], [80, 60], [60, 20]], float)
    photo = thermal @ np.array([[8.0, 0.3], [-0.2, 8.1]]) + [100, 50]
    photo += rng.normal(0, 1.0, photo.shape)
    good = judge_landmarks(pair_landmarks(thermal.tolist(), photo.tolist()), None)
    assert not any(wrong for _, _, wrong in good.rows)
    assert good.rms_px is not None
    assert good.rms_px < 0.5
    photo[2] += [120, -40]
    bad = judge_landmarks(pair_landmarks(thermal.tolist(), photo.tolist()), None)
    assert [n for n, _, wrong in bad.rows if wrong] == [3]
    assert bad.rows[2][1] is not None
    assert bad.rows[2][1] > 60
    few = judge_landmarks(pair_landmarks([(1, 1)], [(2, 2), (3, 3)]), None)
    assert few.rms_px is None
    assert "1 of at least 3" in few.says[0]


def photo_bytes(kind: str = "PNG", size: tuple[int, int] = (64, 40)) -> bytes:
    buffer = io.BytesIO()
    Image.new("RGB", size, (20, 90, 60)).save(buffer, kind)
    return buffer.getvalue()


def test_photos_are_known_by_what_is_in_them() -> None:
    assert check_photo(photo_bytes()) == ("png", (64, 40))
    assert check_photo(photo_bytes("JPEG")) == ("jpg", (64, 40))


@pytest.mark.parametrize("data", [
    b"", b"GIF89a", b"<svg xmlns='http://www.w3.org/2000/svg'/>", photo_bytes()[:60],
    photo_bytes("GIF"), b"\x89PNG\r\n\x1a\n" + b"\x00" * 50,
])  # fmt: skip
def test_what_is_no_photo_is_one_line(data: bytes) -> None:
    with pytest.raises(InputError) as error:
        check_photo(data)
    assert error.value.cure
    assert "\n" not in error.value.sentence


def test_a_photo_too_large_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("hotspot.files.photos.MOST_PIXELS", 1000)
    with pytest.raises(InputError, match="too many pixels"):
        check_photo(photo_bytes())
    monkeypatch.setattr("hotspot.files.photos.MOST_BYTES", 10)
    with pytest.raises(InputError, match="larger than"):
        check_photo(photo_bytes())


def test_a_board_is_drawn_on_a_photo(bench_store: Path) -> None:
    store = shared.store()
    job = store.new_job(customer="K-1").id
    keep_photo(store, job, photo_bytes("JPEG"), board=None)
    board = open_board(store, store.job_file(job), scratch=bench_store / "packs")
    assert board is not None
    assert board.units == "photo_px"
    assert board.photo is not None
    part = to_part("c7", Kind.CAPACITOR, corner=(30, 20), other=(10, 8), nets="3V3, GND")
    assert (part.ref, part.x_mm, part.y_mm, part.width_mm, part.height_mm) == ("C7", 20, 14, 20, 12)
    assert part.nets == ("3V3", "GND")
    for bad in ({"ref": " "}, {"other": (30.5, 20)}):
        with pytest.raises(InputError):
            to_part(**{"ref": "C1", "kind": Kind.IC, "corner": (30, 20), "other": (1, 2), **bad})


def test_design_files_come_in_by_upload(bench_store: Path) -> None:
    folder = Path(__file__).parents[1] / "data" / "can_adapter"
    store = shared.store()
    job = store.new_job(customer="K-1", board_type="adapter").id
    files = {
        "centroids": (folder / "positions.csv").read_bytes(),
        "netlist": (folder / "netlist.ipc").read_bytes(),
        "bill_of_materials": (folder / "bom.csv").read_bytes(),
    }
    made = import_for_job(store, job, files=files, photo=photo_bytes(), name="adapter")
    kept = open_board(store, store.job_file(job), scratch=bench_store / "packs")
    assert kept is not None
    assert [p.ref for p in kept.parts] == [p.ref for p in made.parts]
    assert len(kept.parts) > 10
    with pytest.raises(BoardError) as error:
        import_for_job(store, job, files={"centroids": b"\x00\xff rubbish"}, photo=None, name="x")
    assert "/tmp" not in error.value.sentence
    with pytest.raises(BoardError):
        import_for_job(store, job, files={}, photo=None, name="x")
    with pytest.raises(ValueError, match="kind must be"):
        import_for_job(store, job, files={"../../x": b""}, photo=None, name="x")


def test_the_cold_picture_is_kept_and_shown(tmp_path: Path) -> None:
    cold = first_picture(SAMPLES / "step")
    assert cold.shape == (120, 160)
    keep_cold(tmp_path, 3, cold)
    assert np.array_equal(load_cold(tmp_path, 3), cold)
    assert load_cold(tmp_path, 4) is None
    (tmp_path / "5-cold.npy").write_bytes(b"rubbish")
    assert load_cold(tmp_path, 5) is None
    with Image.open(io.BytesIO(to_png(cold))) as image:
        assert image.size == (160, 120)
        assert np.ptp(np.asarray(image)) > 100


def test_drafts_survive_rubbish_and_forget_what_is_noted(tmp_path: Path) -> None:
    drafts = Drafts(tmp_path / "drafts")
    assert drafts.load(1) == {}
    drafts.save(1, "text", "Ω °C")
    drafts.save(1, "points", [[1.0, 2.0]])
    assert Drafts(tmp_path / "drafts").load(1) == {"text": "Ω °C", "points": [[1.0, 2.0]]}
    drafts.save(1, "text", None)
    assert drafts.load(1) == {"points": [[1.0, 2.0]]}
    (tmp_path / "drafts" / "2.json").write_text("[1, 2")
    assert drafts.load(2) == {}
    drafts.save(2, "a", 1)
    assert drafts.load(2) == {"a": 1}


def test_the_newest_plan_of_the_rail_sets_the_alarm(bench_store: Path) -> None:
    store = shared.store()
    job = open_practice_job(store, shared.drafts(), seed=5)
    assert to_bounds(store.job_file(job), rail="VSYS").max_rise_k is None
    cut = {"cut_out": {"max_pixel_c": 71.0, "max_rise_k": 9.0}, "refused": None}
    store.add(job, [PlanEntry("VSYS", cut), PlanEntry("3V3", {"refused": "no"})])
    bounds = to_bounds(store.job_file(job), rail="VSYS")
    assert (bounds.max_pixel_c, bounds.max_rise_k) == (71.0, 9.0)
    assert to_bounds(store.job_file(job), rail="3V3").max_pixel_c == 60.0


@pytest.mark.parametrize("name", sorted(MAPS))
def test_colour_maps_grow_in_lightness(name: str) -> None:
    """Luma (ITU-R BT.601) must rise all along, or warm could look like cold to some eyes."""
    luma = colour_table(name).astype(float) @ [0.299, 0.587, 0.114]
    assert np.all(np.diff(np.convolve(luma, np.ones(5) / 5, "valid")) > -0.2)
    assert luma[-1] - luma[0] > 150
    ramp = to_rgb(np.array([[0.0, 1.0, np.nan]]), low=0.0, high=1.0, name=name)
    assert ramp[0, 0].tolist() == colour_table(name)[0].tolist()
    assert ramp[0, 1].tolist() == colour_table(name)[255].tolist()
