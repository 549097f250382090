"""Parts drawn on the photo, and packs that come and go as ZIP files."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hotspot.board import Board, Kind, Part, Rail
from hotspot.errors import HotspotError, InputError
from hotspot.files.boards import load_board
from hotspot.jobs.board_pack import keep_board, open_board
from hotspot.jobs.pack_zip import adopt_zip, build_pack_zip
from hotspot.jobs.part_edit import edit_part
from hotspot.jobs.practice_job import sample_board
from hotspot.store.jobs import open_store

BOARD = Board(
    "drawn",
    units="photo_px",
    parts=(
        Part("C1", Kind.CAPACITOR, "", 50.0, 40.0, 10.0, 6.0),
        Part("U1", Kind.IC, "", 90.0, 80.0, 30.0, 30.0, rotation_deg=30.0),
    ),
    rails=(Rail("3V3", nominal_v=3.3),),
)


def test_a_part_is_moved_sized_and_removed_and_the_others_stay() -> None:
    moved = edit_part(BOARD, {"op": "shift", "ref": "C1", "dx": 3.0, "dy": -2.5})
    assert (moved.parts[0].x_mm, moved.parts[0].y_mm) == (53.0, 37.5)
    sized = edit_part(BOARD, {"op": "size", "ref": "C1", "x0": 60, "y0": 50, "x1": 40, "y1": 46})
    part = sized.parts[0]
    assert (part.x_mm, part.y_mm, part.width_mm, part.height_mm) == (50.0, 48.0, 20.0, 4.0)
    gone = edit_part(BOARD, {"op": "remove", "ref": "C1"})
    assert [p.ref for p in gone.parts] == ["U1"]
    assert moved.parts[1] is sized.parts[1] is BOARD.parts[1]
    with pytest.raises(InputError, match="too small"):
        edit_part(BOARD, {"op": "size", "ref": "C1", "x0": 60, "y0": 50, "x1": 59, "y1": 46})


@given(
    st.dictionaries(
        st.sampled_from(["op", "ref", "dx", "dy", "x0", "y0", "x1", "y1"]),
        st.one_of(
            st.sampled_from(["shift", "size", "remove", "C9", "U1"]),
            st.floats(),
            st.none(),
            st.lists(st.integers(), max_size=2),
            st.booleans(),
        ),
    )
)
def test_what_a_page_sends_never_breaks_a_board(event: dict[str, object]) -> None:
    try:
        board = edit_part(BOARD, event)
    except InputError:
        return
    assert board.parts[0] == BOARD.parts[0]  # no event named C1


def test_a_pack_goes_out_as_zip_and_comes_in_again(tmp_path: Path) -> None:
    board = load_board(sample_board())
    data = build_pack_zip(board)
    with open_store(str(tmp_path / "jobs.db")) as store:
        job = store.new_job(customer="K-1")
        adopt_zip(store, job.id, data)
        again = open_board(store, store.job_file(job.id), scratch=tmp_path / "scratch")
    assert again is not None
    assert [p.ref for p in again.parts] == [p.ref for p in board.parts]
    assert [r.name for r in again.rails] == [r.name for r in board.rails]
    assert again.photo is not None
    assert board.photo is not None
    assert again.photo.read_bytes() == board.photo.read_bytes()


def zipped(**files: bytes) -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in files.items():
            archive.writestr(name.replace("__", "/").replace("_dot_", "."), content)
    return buffer.getvalue()


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"PK\x03\x04 rubbish", "board pack: is no ZIP file"),
        (b"", "board pack: is no ZIP file"),
        (zipped(readme_dot_txt=b"hello"), "holds no board.toml"),
        (zipped(board_dot_toml=b"format = 99"), "board.toml: format is 99"),
        (
            zipped(board_dot_toml=b"format = 1", parts_dot_csv=b"ref,kind\nC1,what"),
            "parts.csv",
        ),
        (
            zipped(board_dot_toml=b"format = 1", photo_dot_png=b"no picture"),
            "no PNG or JPEG",
        ),
        (
            zipped(board_dot_toml=b"format = 1", parts_dot_csv=b"0" * 60_000_000),
            "parts.csv: is too large",
        ),
    ],
)
def test_a_bad_zip_is_one_line_and_keeps_nothing(tmp_path: Path, data: bytes, says: str) -> None:
    with open_store(str(tmp_path / "jobs.db")) as store:
        job = store.new_job(customer="K-1")
        with pytest.raises(HotspotError) as caught:
            adopt_zip(store, job.id, data)
        assert says in caught.value.sentence
        assert "\n" not in caught.value.sentence
        assert str(tmp_path.anchor + "tmp") not in caught.value.sentence
        assert store.job_file(job.id).attachments == ()


def test_only_the_files_of_a_pack_leave_an_archive(tmp_path: Path) -> None:
    data = zipped(
        board__board_dot_toml=b'format = 1\nname = "x"', board__run_dot_sh=b"rm", __etc__passwd=b"x"
    )
    with open_store(str(tmp_path / "jobs.db")) as store:
        job = store.new_job(customer="K-1")
        assert adopt_zip(store, job.id, data).name == "x"
        names = {a.name for a in store.job_file(job.id).attachments}
    assert names == {"board.toml", "parts.csv"}


def test_a_later_pack_replaces_the_whole_of_an_earlier_one(tmp_path: Path) -> None:
    with open_store(str(tmp_path / "jobs.db")) as store:
        job = store.new_job(customer="K-1")
        keep_board(store, job.id, load_board(sample_board()))  # with photo and its landmarks
        keep_board(store, job.id, BOARD)
        now = open_board(store, store.job_file(job.id), scratch=tmp_path / "scratch")
    assert now is not None
    assert now.photo is None
    assert len(now.photo_landmarks) == 0
    assert [p.ref for p in now.parts] == ["C1", "U1"]


def test_an_archive_of_countless_files_is_refused_before_it_is_opened(tmp_path: Path) -> None:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as archive:
        for n in range(20_001):
            archive.writestr(f"{n}", b"")
    with open_store(str(tmp_path / "jobs.db")) as store:
        job = store.new_job(customer="K-1")
        with pytest.raises(HotspotError, match="too many files"):
            adopt_zip(store, job.id, buffer.getvalue())
