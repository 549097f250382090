"""What the reader puts up with, and what it refuses in one line that names place and cure."""

from __future__ import annotations

import tracemalloc
from pathlib import Path

import numpy as np
import pytest

from hotspot.errors import HotspotError, RecordingError
from hotspot.files.recordings import load_recording
from tests.files.recording_folder import COLS, ROWS, counts, npy_recording, write_times, write_toml
from tests.files.test_containers import all_frames, write_container


def refusal(folder: Path) -> str:
    with pytest.raises(RecordingError) as caught:
        for _ in load_recording(folder).source.chunks():
            pass
    sentence = caught.value.sentence
    assert "\n" not in sentence
    return sentence


def test_all_notes_are_read(tmp_path: Path) -> None:
    extra = 'board = "../pack"\nrail = "3V3"\nambient_c = 23.5\nstarted = 2026-03-04T05:06:07Z\n'
    folder = npy_recording(tmp_path / "r", extra=extra + 'note = "ö"\nfuture = [1, 2]\n')
    (folder / "injection.csv").write_text("t_s,on,volts,amps\n0.1,1,0.9,1.5\n0.3,0,,\n")
    (folder / "landmarks.csv").write_text(
        "thermal_x_px,thermal_y_px,photo_x_px,photo_y_px\n1,2,10,20\n3.5,4,30,40\n"
    )
    recording = load_recording(folder)
    assert recording.board is not None
    assert Path(recording.board).resolve() == tmp_path / "pack"
    assert (recording.rail, recording.ambient_c, recording.note) == ("3V3", 23.5, "ö")
    assert recording.started is not None
    assert recording.started.startswith("2026-03-04")
    log = recording.injection
    assert log is not None
    assert log.t_s.tolist() == [0.1, 0.3]
    assert log.on.tolist() == [True, False]
    assert log.volts[0] == 0.9
    assert np.isnan(log.amps[1])
    np.testing.assert_array_equal(recording.landmarks, [[1, 2, 10, 20], [3.5, 4, 30, 40]])
    assert recording.complete
    assert recording.warnings == ()


@pytest.mark.parametrize(
    ("encoding", "delimiter", "decimal"),
    [("utf-8-sig", ",", "."), ("utf-16", "\t", ","), ("utf-8", ";", ","), ("latin-1", ";", ".")],
)
def test_tables_of_other_programs_are_read(
    encoding: str, delimiter: str, decimal: str, tmp_path: Path
) -> None:
    folder = npy_recording(tmp_path)
    lines = ["# caf\xe9", f"Index{delimiter} T_s "]
    lines += [f'{i}{delimiter}"{i * 0.04:.2f}"'.replace(".", decimal) for i in range(12)]
    (folder / "frames.csv").write_text("\r\n".join(lines) + "\r\n", encoding=encoding, newline="")
    np.testing.assert_allclose(load_recording(folder).t_s, np.arange(12) * 0.04)


def test_time_begins_with_the_first_frame_and_the_log_goes_along(tmp_path: Path) -> None:
    folder = npy_recording(tmp_path)
    (folder / "frames.csv").write_text(
        "index,t_s\n" + "".join(f"{i},{1000 + i}\n" for i in range(12))
    )
    (folder / "injection.csv").write_text("t_s,on,volts,amps\n1003,1,,\n")
    recording = load_recording(folder)
    assert recording.t_s[0] == 0
    assert recording.injection is not None
    assert recording.injection.t_s.tolist() == [3.0]
    (folder / "injection.csv").write_text("t_s,on,volts,amps\n3,1,,\n")
    recording = load_recording(folder)
    assert recording.injection is not None
    assert recording.injection.t_s.tolist() == [3.0]
    assert "clocks" in recording.warnings[0]


def test_an_unfinished_recording_opens_with_what_is_there(tmp_path: Path) -> None:
    folder = npy_recording(tmp_path, complete="")
    data = (folder / "frames.npy").read_bytes()
    (folder / "frames.npy").write_bytes(data[: -3 * ROWS * COLS * 2 - 5])
    text = (folder / "frames.csv").read_text()
    (folder / "frames.csv").write_text(text[:-4])  # a line cut by the crash
    recording = load_recording(folder)
    assert not recording.complete
    assert len(recording.source) == len(recording.t_s) == 8
    assert any("not closed in order" in w for w in recording.warnings)
    np.testing.assert_array_equal(all_frames(folder), counts()[:8])


@pytest.mark.parametrize(("n_frames", "n_lines"), [(12, 10), (10, 12)])
def test_a_few_lines_more_or_less_are_put_up_with(
    n_frames: int, n_lines: int, tmp_path: Path
) -> None:
    folder = npy_recording(tmp_path, counts(n_frames))
    write_times(folder, n_lines)
    recording = load_recording(folder)
    assert len(recording.source) == len(recording.t_s) == 10
    assert "10" in recording.warnings[0]
    np.testing.assert_array_equal(all_frames(folder), counts(n_frames)[:10])


def test_frames_are_paired_by_index_when_lines_are_missing_in_the_middle(tmp_path: Path) -> None:
    folder = npy_recording(tmp_path)
    kept = [0, 1, 4, 5, 6, 9, 11]
    (folder / "frames.csv").write_text("index,t_s\n" + "".join(f"{i},{i / 25}\n" for i in kept))
    recording = load_recording(folder)
    np.testing.assert_allclose(recording.t_s, np.array(kept) / 25)
    for size in (1, 3, 50):
        np.testing.assert_array_equal(all_frames(folder, size), counts()[kept])


def test_a_container_much_shorter_than_promised_is_refused_unless_marked(tmp_path: Path) -> None:
    for kind in ("npy", "tiff pages", "tiff contiguous", "mkv", "png"):
        folder = tmp_path / kind
        write_toml(folder)
        write_times(folder, 40)
        write_container(folder, kind, counts(20))
        text = refusal(folder)
        assert "frames" in text
        assert "complete = false" in text
        write_toml(folder, complete="false")
        assert len(load_recording(folder).source) == 20


def test_nan_pixels_stay_and_are_told_once(tmp_path: Path) -> None:
    frames = np.full((6, ROWS, COLS), 25, np.float32)
    frames[:, 3, 4] = np.nan
    frames[2, 5, 6] = np.inf
    folder = npy_recording(tmp_path, frames, values="celsius", camera="")
    recording = load_recording(folder)
    assert len([w for w in recording.warnings if "NaN" in w]) == 1
    got = all_frames(folder)
    assert np.isnan(got[:, 3, 4]).all()
    assert np.isnan(got[2, 5, 6])
    assert np.count_nonzero(np.isnan(got)) == 7


@pytest.mark.parametrize("kind", ["npy", "npy fortran", "tiff pages", "tiff deflate"])
def test_frames_of_nan_alone_are_left_out_with_a_warning(kind: str, tmp_path: Path) -> None:
    frames = np.random.default_rng(1).normal(25, 1, (9, ROWS, COLS)).astype(np.float32)
    frames[0], frames[7] = np.nan, np.inf
    frames[3, :5] = np.nan  # begins empty, and is not
    write_toml(tmp_path, values="celsius", camera="")
    write_times(tmp_path, 9)
    (tmp_path / "injection.csv").write_text("t_s,on\n0.2,1\n")
    write_container(tmp_path, kind, frames)
    recording = load_recording(tmp_path)
    assert any("2 frames without any number" in w for w in recording.warnings)
    good = [1, 2, 3, 4, 5, 6, 8]
    np.testing.assert_array_equal(all_frames(tmp_path), frames[good])
    # Time begins with the first frame that is used, for the log as well.
    np.testing.assert_allclose(recording.t_s, np.array(good) * 0.04 - 0.04)
    assert recording.injection is not None
    assert recording.injection.t_s[0] == pytest.approx(0.16)


def test_a_recording_of_nan_alone_is_refused(tmp_path: Path) -> None:
    frames = np.full((9, ROWS, COLS), np.nan, np.float32)
    assert "only NaN" in refusal(npy_recording(tmp_path, frames, values="celsius", camera=""))


@pytest.mark.parametrize(
    ("lines", "told"),
    [
        ("3602,1\n3605,0\n", "begins 1 h after"),
        ("7200.4,1\n7205,0\n", "begins 2 h after"),
        ("1772424242,1\n1772424252,0\n", "begins 20514 days after"),
        ("-7205,1\n-7200,0\n", "ends 2 h before"),
        ("-7205,1\n-7200,1\n", "ends 2 h before"),
    ],
)
def test_a_log_of_another_time_is_left_out_with_a_warning(
    lines: str, told: str, tmp_path: Path
) -> None:
    folder = npy_recording(tmp_path)
    (folder / "injection.csv").write_text("t_s,on\n" + lines)
    recording = load_recording(folder)
    assert recording.injection is None
    assert len(recording.warnings) == 1
    assert told in recording.warnings[0]
    assert "clock is wrong" in recording.warnings[0]


@pytest.mark.parametrize(
    "lines", ["-5,0\n", "-5,1\n", "-5,0\n-3,0\n", "-5,0\n0.2,1\n", "0.2,1\n900,0\n"]
)
def test_a_log_that_can_be_of_these_frames_is_kept(lines: str, tmp_path: Path) -> None:
    folder = npy_recording(tmp_path)
    (folder / "injection.csv").write_text("t_s,on\n" + lines)
    recording = load_recording(folder)
    assert recording.injection is not None
    assert recording.warnings == ()


def test_resumed_times_are_told_and_begin_with_the_first_frame(tmp_path: Path) -> None:
    folder = npy_recording(tmp_path, extra="resumed_s = [10.2]\n")
    (folder / "frames.csv").write_text(
        "index,t_s\n" + "".join(f"{i},{10 + i * 0.04:.2f}\n" for i in range(12))
    )
    recording = load_recording(folder)
    assert recording.resumed_s == pytest.approx((0.2,))
    assert any("camera was away once" in w for w in recording.warnings)
    for bad in ("3", '["a"]', "[true]", "[nan]"):
        write_toml(folder, extra=f"resumed_s = {bad}\n")
        assert "resumed_s must be" in refusal(folder)


def test_times_that_run_back_name_the_line(tmp_path: Path) -> None:
    folder = npy_recording(tmp_path)
    text = (folder / "frames.csv").read_text().replace("7,0.280", "7,0.100")
    (folder / "frames.csv").write_text(text)
    sentence = refusal(folder)
    assert "frames.csv, line 9" in sentence
    assert "runs back" in sentence


def edit(name: str, old: str, new: str):
    def change(folder: Path) -> None:
        path = folder / name
        text = path.read_text(encoding="utf-8")
        assert old in text
        path.write_text(text.replace(old, new), encoding="utf-8")

    return change


def write(name: str, data: bytes):
    return lambda folder: (folder / name).write_bytes(data)


BAD = {
    "no toml": (lambda f: (f / "recording.toml").unlink(), "recording.toml"),
    "broken toml": (edit("recording.toml", "width = ", "width = = "), "line 5"),
    "binary toml": (write("recording.toml", bytes(range(256)) * 4), "recording.toml"),
    "other format": (edit("recording.toml", "format = 1", "format = 2"), "format"),
    "no camera": (write("recording.toml", b"format = 1\n"), "[camera]"),
    "no width": (edit("recording.toml", "width = 26\n", ""), "width is missing"),
    "no values": (edit("recording.toml", 'values = "counts"\n', ""), "values is missing"),
    "unknown values": (edit("recording.toml", '"counts"', '"kelvin"'), "celsius"),
    "text width": (edit("recording.toml", "width = 26", 'width = "26"'), "width"),
    "huge width": (edit("recording.toml", "width = 26", "width = 10000000000"), "width"),
    "text scale": (edit("recording.toml", "scale = 0.01", 'scale = "a"'), "scale"),
    "nan scale": (edit("recording.toml", "scale = 0.01", "scale = nan"), "scale"),
    "wrong shape": (edit("recording.toml", "width = 26", "width = 27"), "26 x 19"),
    "wrong type": (edit("recording.toml", '"counts"', '"celsius"'), "uint16"),
    "display video": (edit("recording.toml", '"counts"', '"grey8"'), "8-bit"),
    "bad complete": (edit("recording.toml", "complete = true", "complete = 3"), "complete"),
    "bad ambient": (edit("recording.toml", "complete", 'ambient_c = "w"\ncomplete'), "ambient_c"),
    "no frames": (lambda f: (f / "frames.npy").unlink(), "no frames"),
    "two containers": (write("frames.tif", b"x"), "frames.npy"),
    "empty frames": (write("frames.npy", b""), "is empty"),
    "not npy": (write("frames.npy", b"hello world" * 50), "NPY"),
    "no times": (lambda f: (f / "frames.csv").unlink(), "frames.csv"),
    "empty times": (write("frames.csv", b""), "is empty"),
    "header only": (write("frames.csv", b"index,t_s\n"), "no times"),
    "no t_s": (edit("frames.csv", "t_s", "time"), "t_s is missing"),
    "text time": (edit("frames.csv", "3,0.120", "3,soon"), "line 5"),
    "nan time": (edit("frames.csv", "3,0.120", "3,nan"), "line 5"),
    "empty time": (edit("frames.csv", "3,0.120", "3,"), "line 5"),
    "too many cells": (edit("frames.csv", "3,0.120", "3,0,120"), "line 5"),
    "log without on": (write("injection.csv", b"t_s,volts\n1,2\n"), "on is missing"),
    "log runs back": (write("injection.csv", b"t_s,on,volts,amps\n2,1,,\n1,0,,\n"), "line 3"),
    "log stands still": (write("injection.csv", b"t_s,on,volts,amps\n2,1,,\n2,0,,\n"), "line 3"),
    "log on maybe": (write("injection.csv", b"t_s,on,volts,amps\n2,2,,\n"), "0 or 1"),
    "log text volts": (write("injection.csv", b"t_s,on,volts,amps\n2,1,x,\n"), "volts"),
    "landmark text": (
        write("landmarks.csv", b"thermal_x_px,thermal_y_px,photo_x_px,photo_y_px\n1,2,3,\n"),
        "photo_y_px",
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", BAD)
def test_bad_input_is_one_line_that_names_the_place(name: str, tmp_path: Path) -> None:
    folder = npy_recording(tmp_path / "rec")
    spoil, expected = BAD[name]
    spoil(folder)
    assert expected in refusal(folder)


def test_not_a_folder(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    assert "is a file" in refusal(tmp_path / "file")
    assert "no such folder" in refusal(tmp_path / "missing")
    assert "recording.toml" in refusal(tmp_path)


def test_missing_times_are_replaced_by_the_frame_rate(tmp_path: Path) -> None:
    folder = npy_recording(tmp_path, camera="frame_rate_hz = 25\n")
    (folder / "frames.csv").unlink()
    recording = load_recording(folder)
    np.testing.assert_allclose(recording.t_s, np.arange(12) / 25)
    assert "frame_rate_hz" in recording.warnings[0]


def test_pickled_objects_are_never_loaded(tmp_path: Path) -> None:
    folder = npy_recording(tmp_path)
    np.save(folder / "frames.npy", np.array([{"a": 1}] * 12, dtype=object), allow_pickle=True)
    assert "objects" in refusal(folder)


def test_a_header_that_asks_for_the_moon_is_refused(tmp_path: Path) -> None:
    folder = npy_recording(tmp_path)
    header = b"{'descr': '<u2', 'fortran_order': False, 'shape': (12, 4000000000, 4000000000), }"
    body = header.ljust(117) + b"\n"
    (folder / "frames.npy").write_bytes(
        b"\x93NUMPY\x01\x00" + len(body).to_bytes(2, "little") + body
    )
    assert "declares" in refusal(folder)


def test_damage_in_a_compressed_stack_names_the_page(tmp_path: Path) -> None:
    write_toml(tmp_path)
    write_times(tmp_path, 12)
    write_container(tmp_path, "tiff deflate", counts(12))
    import tifffile

    with tifffile.TiffFile(tmp_path / "frames.tif") as tif:
        place = tif.pages[6].dataoffsets[0]
    data = bytearray((tmp_path / "frames.tif").read_bytes())
    data[place : place + 40] = b"\xff" * 40
    (tmp_path / "frames.tif").write_bytes(data)
    assert "page 7" in refusal(tmp_path)


def test_a_file_of_four_gigabytes_is_not_read_into_memory(tmp_path: Path) -> None:
    rows, cols, n = 192, 256, 43700
    write_toml(tmp_path, width=cols, height=rows)
    write_times(tmp_path, n)
    header = f"{{'descr': '<u2', 'fortran_order': False, 'shape': ({n}, {rows}, {cols}), }}"
    body = header.encode().ljust(117) + b"\n"
    with (tmp_path / "frames.npy").open("wb") as file:
        file.write(b"\x93NUMPY\x01\x00" + len(body).to_bytes(2, "little") + body)
        file.truncate(128 + n * rows * cols * 2)  # a hole: takes no room on the disk
    tracemalloc.start()
    recording = load_recording(tmp_path)
    assert next(iter(recording.source.chunks(16))).shape == (16, rows, cols)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert len(recording.source) == n
    assert peak < 100e6


def test_errors_are_hotspot_errors() -> None:
    assert issubclass(RecordingError, HotspotError)
