"""Damaged bytes in any file: an answer or one sentence, never a traceback, never a hang.

Each reader gets real bytes with random cuts, flips, swaps and repeats. Seeded; what once broke a
reader stays in `FOUND`.
"""

from __future__ import annotations

import shutil
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from hotspot.errors import HotspotError
from hotspot.files.boards import load_board
from hotspot.files.centroids import load_bill_of_materials, load_centroids
from hotspot.files.ipc2581 import load_ipc2581
from hotspot.files.netlists import load_netlist
from hotspot.files.packcheck import check_board
from hotspot.files.profiles import load_profile
from hotspot.files.recordings import load_recording
from tests.files.recording_folder import counts, write_times, write_toml
from tests.files.test_boards import PARTS, TOML
from tests.files.test_containers import write_container
from tests.files.test_ipc2581 import BODY

DATA = Path(__file__).resolve().parents[1] / "data"
LONGEST_S = 5.0
# Pieces that have meaning to some parser.
TOKENS = (
    b"\x00", b"\xff", b"\xff\xfe", b"nan", b"inf", b"1e999", b"-", b'"', b"'", b",,", b";", b"\t",
    b"\n", b"\r", b"#", b"[", b"]]", b"{", b"=", b"<", b"&a;", b"<!DOCTYPE a [", b"9" * 40,
    b"-1", b"0", b"{SLASH}", b"\xc3\x28", b"\\u0000",
)  # fmt: skip


def mutated(data: bytes, rng: np.random.Generator) -> bytes:
    out = bytearray(data)
    for _ in range(int(rng.integers(1, 6))):
        n = len(out)
        at = int(rng.integers(0, n + 1))
        how = int(rng.integers(0, 6))
        if how == 0 and n:
            out[at % n] ^= 1 << int(rng.integers(0, 8))
        elif how == 1:
            del out[at:]
        elif how == 2:
            del out[at : at + int(rng.integers(1, 50))]
        elif how == 3:
            out[at:at] = TOKENS[int(rng.integers(0, len(TOKENS)))]
        elif how == 4:
            start = int(rng.integers(0, n + 1))
            out[at:at] = out[start : start + int(rng.integers(1, 200))]
        elif n:
            size = min(int(rng.integers(1, 9)), n)
            out[at % n : at % n + size] = rng.bytes(size)
    return bytes(out)


def read_recording(folder: Path) -> None:
    recording = load_recording(folder)
    n = sum(len(block) for block in recording.source.chunks(8))
    assert n == len(recording.source) == len(recording.t_s)
    assert (np.diff(recording.t_s) >= 0).all()


def read_board(folder: Path) -> None:
    check_board(load_board(folder))


def recording_case(kind: str, file: str) -> Callable[[Path], tuple[Path, Callable[[], None]]]:
    def build(folder: Path) -> tuple[Path, Callable[[], None]]:
        write_toml(folder)
        write_times(folder, 6)
        write_container(folder, kind, counts(6))
        (folder / "injection.csv").write_text("t_s,on,volts,amps\n0.1,1,0.9,1.5\n0.15,0,,\n")
        (folder / "landmarks.csv").write_text(
            "thermal_x_px,thermal_y_px,photo_x_px,photo_y_px\n1,2,10,20\n3.5,4,30,40\n"
        )
        return folder / file, lambda: read_recording(folder)

    return build


def board_case(file: str) -> Callable[[Path], tuple[Path, Callable[[], None]]]:
    def build(folder: Path) -> tuple[Path, Callable[[], None]]:
        (folder / "board.toml").write_text(TOML)
        (folder / "parts.csv").write_text(PARTS)
        (folder / "photo_landmarks.csv").write_text(
            "board_x_mm,board_y_mm,photo_x_px,photo_y_px\n0,0,1,1\n1,0,2,2\n3,4,5,6\n7,8,9,1\n"
        )
        return folder / file, lambda: read_board(folder)

    return build


def single_case(source: Path | str, read: Callable[[Path], object]):
    def build(folder: Path) -> tuple[Path, Callable[[], None]]:
        path = folder / "file"
        if isinstance(source, Path):
            path.write_bytes(source.read_bytes()[:6000])
        else:
            path.write_text(source, encoding="utf-8")
        return path, lambda: (read(path), None)[1]

    return build


PROFILE = (
    '[camera]\nname = "a"\nwidth = 20\nheight = 10\nvalues = "counts"\nnetd_mk = 50\n'
    "radiance_curve = {r = 17000.0, b = 1430.0, f = 1.0, offset = -7000.0}\n"
    'raw_plane = {crop_px = [0, 10, 20, 10], view = "<u2"}\n'
)
CASES = {
    "recording.toml": recording_case("npy", "recording.toml"),
    "frames.csv": recording_case("npy", "frames.csv"),
    "injection.csv": recording_case("npy", "injection.csv"),
    "landmarks.csv": recording_case("npy", "landmarks.csv"),
    "npy": recording_case("npy", "frames.npy"),
    "npy fortran": recording_case("npy fortran", "frames.npy"),
    "tiff pages": recording_case("tiff pages", "frames.tif"),
    "tiff contiguous": recording_case("tiff contiguous", "frames.tif"),
    "tiff deflate": recording_case("tiff deflate", "frames.tif"),
    "tiff lzw": recording_case("tiff lzw", "frames.tif"),
    "tiff tiles": recording_case("tiff tiles", "frames.tif"),
    "mkv": recording_case("mkv", "frames.mkv"),
    "png": recording_case("png", "frames/f3.png"),
    "tiff folder": recording_case("tiff folder", "frames/3.tiff"),
    "board.toml": board_case("board.toml"),
    "parts.csv": board_case("parts.csv"),
    "photo_landmarks.csv": board_case("photo_landmarks.csv"),
    "centroids": single_case(DATA / "can_adapter/positions.csv", load_centroids),
    "netlist": single_case(DATA / "can_adapter/netlist.ipc", load_netlist),
    "bill of materials": single_case(DATA / "can_adapter/bom.csv", load_bill_of_materials),
    "ipc2581": single_case(BODY, load_ipc2581),
    "profile": single_case(PROFILE, load_profile),
}


def check_sentence(sentence: str) -> None:
    assert "\n" not in sentence
    assert len(sentence) < 600


def attack(name: str, folder: Path, *, seeds: range) -> tuple[int, int]:
    """Return how many damaged files were read, and how many refused."""
    path, read = CASES[name](folder)
    good = path.read_bytes()
    read()
    answered = refused = 0
    for seed in seeds:
        path.write_bytes(mutated(good, np.random.default_rng([7, seed])))
        started = time.monotonic()
        try:
            read()
            answered += 1
        except HotspotError as error:
            check_sentence(error.sentence)
            refused += 1
        except Exception as error:
            shutil.copy(path, folder.parent / f"broke-{seed}")
            raise AssertionError(f"{name}, seed {seed}: {type(error).__name__}: {error}") from error
        assert time.monotonic() - started < LONGEST_S, f"{name}, seed {seed} took too long"
    return answered, refused


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize("name", CASES)
def test_damaged_bytes_give_an_answer_or_a_sentence(name: str, tmp_path: Path) -> None:
    folder = tmp_path / "files"
    folder.mkdir()
    answered, refused = attack(name, folder, seeds=range(40))
    assert refused > 0  # the damage is felt at all
    assert answered + refused == 40


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize("name", CASES)
def test_damaged_bytes_at_length(name: str, tmp_path: Path) -> None:
    folder = tmp_path / "files"
    folder.mkdir()
    attack(name, folder, seeds=range(1000, 1150))
