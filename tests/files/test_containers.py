"""Every container form gives the same frames to the last bit, again and again, in any chunking."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import av
import cv2
import imageio.v3 as iio
import numpy as np
import pytest
import tifffile
from PIL import Image

from hotspot.errors import RecordingError
from hotspot.files.recordings import load_recording
from tests.files.recording_folder import COLS, ROWS, counts, npy_recording, write_times, write_toml


def all_frames(folder: Path, size: int = 5) -> np.ndarray:
    return np.concatenate(list(load_recording(folder).source.chunks(size)))


def save_mkv(path: Path, frames: np.ndarray, *, codec: str = "ffv1", fmt: str = "gray16le") -> None:
    with av.open(str(path), "w") as out:
        stream = out.add_stream(codec, rate=25)
        stream.height, stream.width = frames.shape[1:3]
        stream.pix_fmt = fmt
        stream.time_base = Fraction(1, 25)
        source = {"gray16le": "gray16le", "gray": "gray"}.get(fmt, "rgb24")
        for k, frame in enumerate(frames):
            picture = av.VideoFrame.from_ndarray(frame, format=source)
            picture.pts, picture.time_base = k, Fraction(1, 25)
            out.mux(stream.encode(picture))
        out.mux(stream.encode(None))


def write_container(folder: Path, kind: str, frames: np.ndarray) -> None:
    tif = folder / "frames.tif"
    if kind == "npy":
        np.save(folder / "frames.npy", frames)
    elif kind == "npy fortran":
        np.save(folder / "frames.npy", np.asfortranarray(frames))
    elif kind == "npy big-endian":
        np.save(folder / "frames.npy", frames.astype(">u2"))
    elif kind == "tiff pages":
        with tifffile.TiffWriter(tif) as out:
            for frame in frames:
                out.write(frame, contiguous=False, metadata=None)
    elif kind == "tiff contiguous":
        tifffile.imwrite(tif, frames)
    elif kind == "tiff contiguous one page":
        tifffile.imwrite(tif, frames, imagej=True)
    elif kind == "tiff big":
        tifffile.imwrite(tif, frames, bigtiff=True, photometric="minisblack", metadata=None)
    elif kind == "tiff big-endian":
        tifffile.imwrite(tif, frames, byteorder=">", photometric="minisblack", metadata=None)
    elif kind == "tiff deflate":
        tifffile.imwrite(tif, frames, compression="zlib", photometric="minisblack")
    elif kind == "tiff deflate predictor":
        pages = [Image.fromarray(f) for f in frames]
        pages[0].save(tif, save_all=True, append_images=pages[1:], compression="tiff_adobe_deflate")
    elif kind in ("tiff lzw", "tiff packbits"):
        pages = [Image.fromarray(f) for f in frames]
        name = "tiff_lzw" if kind.endswith("lzw") else "packbits"
        pages[0].save(tif, save_all=True, append_images=pages[1:], compression=name)
    elif kind == "tiff strips":
        tifffile.imwrite(tif, frames, rowsperstrip=4, photometric="minisblack", metadata=None)
    elif kind == "tiff tiles":
        tifffile.imwrite(tif, frames, tile=(16, 16), photometric="minisblack", metadata=None)
    elif kind == "mkv":
        save_mkv(folder / "frames.mkv", frames)
    elif kind == "avi rawvideo":
        iio.imwrite(folder / "frames.nut", frames, plugin="pyav", codec="rawvideo",
                    in_pixel_format="gray16le", out_pixel_format="gray16le")  # fmt: skip
    else:
        (folder / "frames").mkdir()
        for i, frame in enumerate(frames):
            if kind == "png":
                cv2.imwrite(str(folder / "frames" / f"f{i}.png"), frame)  # f2 before f10
            else:
                tifffile.imwrite(folder / "frames" / f"{i}.tiff", frame, photometric=None)


KINDS = (
    "npy", "npy fortran", "npy big-endian", "tiff pages", "tiff contiguous",
    "tiff contiguous one page", "tiff big", "tiff big-endian", "tiff deflate",
    "tiff deflate predictor", "tiff lzw", "tiff packbits", "tiff strips", "tiff tiles", "mkv",
    "avi rawvideo", "png", "tiff folder",
)  # fmt: skip


@pytest.mark.parametrize("kind", KINDS)
def test_frames_come_back_exact(kind: str, tmp_path: Path) -> None:
    frames = counts(12)
    write_toml(tmp_path)
    write_times(tmp_path, 12)
    write_container(tmp_path, kind, frames)
    recording = load_recording(tmp_path)
    assert recording.warnings == ()
    assert len(recording.source) == 12
    assert recording.source.shape == (ROWS, COLS)
    for size in (1, 5, 64):
        blocks = list(recording.source.chunks(size))
        assert all(len(b) <= size and b.dtype == np.uint16 and b.dtype.isnative for b in blocks)
        np.testing.assert_array_equal(np.concatenate(blocks), frames)


@pytest.mark.parametrize("kind", ["npy", "tiff contiguous", "tiff pages", "tiff deflate"])
def test_float_frames_come_back_exact(kind: str, tmp_path: Path) -> None:
    frames = np.random.default_rng(1).normal(30, 5, (7, ROWS, COLS)).astype(np.float32)
    write_toml(tmp_path, values="celsius", camera="")
    write_times(tmp_path, 7)
    write_container(tmp_path, kind, frames)
    got = all_frames(tmp_path)
    assert got.dtype == np.float32
    np.testing.assert_array_equal(got, frames)


def test_float64_and_float16_become_float32(tmp_path: Path) -> None:
    for i, dtype in enumerate((np.float64, np.float16)):
        frames = np.random.default_rng(1).normal(30, 5, (4, ROWS, COLS)).astype(dtype)
        folder = npy_recording(tmp_path / str(i), frames, values="celsius", camera="")
        np.testing.assert_array_equal(all_frames(folder), frames.astype(np.float32))


def test_eight_bit_video_grey_and_colour(tmp_path: Path) -> None:
    rng = np.random.default_rng(5)
    grey = rng.integers(0, 256, (6, 20, 32)).astype(np.uint8)
    colour = rng.integers(0, 256, (6, 20, 32, 3)).astype(np.uint8)
    for name, frames, fmt, values in (
        ("grey", grey, "gray", "grey8"),
        ("colour", colour, "bgr0", "palette8"),
    ):
        folder = tmp_path / name
        write_toml(folder, values=values, camera="", width=32, height=20)
        write_times(folder, 6)
        save_mkv(folder / "frames.mkv", frames, fmt=fmt)
        np.testing.assert_array_equal(all_frames(folder), frames)


def test_colour_pictures_are_rgb(tmp_path: Path) -> None:
    rng = np.random.default_rng(5)
    colour = rng.integers(0, 256, (3, ROWS, COLS, 3)).astype(np.uint8)
    write_toml(tmp_path, values="palette8", camera="")
    write_times(tmp_path, 3)
    (tmp_path / "frames").mkdir()
    for i, frame in enumerate(colour):
        Image.fromarray(frame).save(tmp_path / "frames" / f"{i:04}.png")
    np.testing.assert_array_equal(all_frames(tmp_path), colour)


def test_luma_of_compressed_video_is_its_luminance_plane(tmp_path: Path) -> None:
    ramp = np.tile(np.linspace(30, 220, 64).astype(np.uint8), (48, 1))
    frames = np.stack([np.dstack([ramp] * 3)] * 5)
    write_toml(tmp_path, values="grey8", camera="", width=64, height=48)
    write_times(tmp_path, 5)
    save_mkv(tmp_path / "frames.mp4", frames, codec="mpeg4", fmt="yuv420p")
    got = all_frames(tmp_path)
    assert got.shape == (5, 48, 64)
    # BT.601 studio range: luma = 16 + 219/255 grey; the codec's own loss is a few levels.
    assert np.abs(got.mean(axis=(0, 1)) - (16 + 219 / 255 * ramp[0])).max() < 4


def test_stacked_raw_plane_is_cut_out(tmp_path: Path) -> None:
    raw = counts(4)
    picture = np.zeros((4, ROWS, COLS, 2), np.uint8)
    stacked = np.concatenate([picture, raw.view(np.uint8).reshape(4, ROWS, COLS, 2)], axis=1)
    plane = f'[camera.raw_plane]\ncrop_px = [0, {ROWS}, {COLS}, {ROWS}]\nview = "<u2"\n'
    write_toml(tmp_path, camera=plane)
    write_times(tmp_path, 4)
    np.save(tmp_path / "frames.npy", stacked.reshape(4, 2 * ROWS, 2 * COLS))
    with pytest.raises(RecordingError, match="frames are"):
        load_recording(tmp_path)  # bytes side by side need a crop twice as wide
    write_toml(tmp_path, camera=plane.replace(f"{COLS}, {ROWS}]", f"{2 * COLS}, {ROWS}]"))
    np.testing.assert_array_equal(all_frames(tmp_path), raw)


def test_a_source_can_be_read_twice_at_once(tmp_path: Path) -> None:
    for kind in ("npy", "tiff deflate", "mkv", "png"):
        folder = tmp_path / kind
        write_toml(folder)
        write_times(folder, 12)
        write_container(folder, kind, counts(12))
        source = load_recording(folder).source
        for a, b in zip(source.chunks(4), source.chunks(4), strict=True):
            np.testing.assert_array_equal(a, b)
