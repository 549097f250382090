"""Small files that unfold into something huge, built here: ``python -m tests.fuzz.bombs``.

Each is read in this one process, whose addresses are bounded; a JSON line each says how it was
answered, how long that took, and by how much the peak of memory had grown.
"""

from __future__ import annotations

import functools
import json
import struct
import sys
import tempfile
import time
import warnings
import zipfile
import zlib
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import numpy as np

from hotspot.errors import HotspotError
from tests.files.recording_folder import COLS, ROWS, counts, write_times, write_toml
from tests.fuzz.targets import RULES, TARGETS, Read

MOST_BYTES = 6 << 30
ZEROS_MB = 128


@functools.cache
def deflated_zeros(megabytes: int) -> bytes:
    """Return `megabytes` of zeros, a thousand times smaller."""
    packer = zlib.compressobj(9)
    pieces = [packer.compress(bytes(1 << 20)) for _ in range(megabytes)]
    return b"".join([*pieces, packer.flush()])


def png(width: int, height: int, *chunks: tuple[bytes, bytes], idat: bytes) -> bytes:
    """Return a 16-bit grey PNG (ISO/IEC 15948) with further chunks before the pixels."""
    head = struct.pack(">IIBBBBB", width, height, 16, 0, 0, 0, 0)
    out = b"\x89PNG\r\n\x1a\n"
    for kind, data in ((b"IHDR", head), *chunks, (b"IDAT", idat), (b"IEND", b"")):
        out += struct.pack(">I", len(data)) + kind + data
        out += struct.pack(">I", zlib.crc32(kind + data))
    return out


def tiff(width: int, height: int, data: bytes, *, compression: int, next_at: int = 0) -> bytes:
    """Return a little-endian TIFF 6.0 of one 16-bit grey strip."""
    tags = [(256, 4, width), (257, 4, height), (258, 3, 16), (259, 3, compression), (262, 3, 1),
            (273, 4, 8), (277, 3, 1), (278, 4, height), (279, 4, len(data))]  # fmt: skip
    at = 8 + len(data)
    out = b"II*\0" + struct.pack("<I", at) + data + struct.pack("<H", len(tags))
    for tag, kind, value in tags:
        out += struct.pack("<HHII", tag, kind, 1, value)
    return out + struct.pack("<I", at if next_at else 0)


def recording(folder: Path, name: str, data: bytes, *, width: int = COLS, height: int = ROWS,
              n: int = 6) -> Read:  # fmt: skip
    write_toml(folder, width=width, height=height, complete="false")
    write_times(folder, n)
    path = folder / name
    path.parent.mkdir(exist_ok=True)
    path.write_bytes(data)

    def read() -> None:
        from hotspot.files.recordings import load_recording

        for _ in load_recording(folder).source.chunks(64):
            pass

    return read


def npy_header(shape: str, *, descr: str = "<u2") -> bytes:
    text = f"{{'descr': '{descr}', 'fortran_order': False, 'shape': {shape}}}".encode()
    return b"\x93NUMPY\x01\x00" + struct.pack("<H", len(text)) + text


def huge_video(folder: Path) -> Read:
    import av

    path = folder / "frames.mkv"
    with av.open(str(path), "w") as out:
        stream = out.add_stream("ffv1", rate=25)
        stream.width = stream.height = 6000
        stream.pix_fmt = "gray16le"
        stream.time_base = Fraction(1, 25)
        frame = av.VideoFrame.from_ndarray(np.zeros((6000, 6000), np.uint16), format="gray16le")
        for k in range(3):
            frame.pts = k
            for packet in stream.encode(frame):
                out.mux(packet)
        for packet in stream.encode(None):
            out.mux(packet)
    data = path.read_bytes()
    path.unlink()
    return recording(folder, "frames.mkv", data, n=3)


def of(target: str, data: bytes) -> Callable[[Path], Read]:
    """Put `data` in the place of a reader's good file."""

    def build(folder: Path) -> Read:
        path, read = TARGETS[target](folder)
        path.write_bytes(data)
        return read

    return build


def zipped(target: str, name: str, megabytes: int) -> Callable[[Path], Read]:
    def build(folder: Path) -> Read:
        path, read = TARGETS[target](folder)
        with zipfile.ZipFile(path) as given:
            kept = {n: given.read(n) for n in given.namelist() if n != name}
        with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as out:
            for key, data in kept.items():
                out.writestr(key, data)
            with out.open(name, "w", force_zip64=True) as stream:
                for _ in range(megabytes):
                    stream.write(bytes(1 << 20))
        return read

    return build


def fact_bomb() -> bytes:
    text = b"Finding\0" + b"\x01\x00\0\0" + deflated_zeros(ZEROS_MB)
    seal = b"Seal\0\0\0\0\0" + b"a"
    idat = zlib.compress(bytes(2 * 10 * 10 + 10))
    return png(10, 10, (b"iTXt", text), (b"iTXt", seal), idat=idat)


def build_xml(body: str, head: str = "") -> bytes:
    return f'<?xml version="1.0"?>{head}<IPC-2581 revision="C">{body}</IPC-2581>'.encode()


LAUGHS = "<!DOCTYPE a [<!ENTITY a0 'ha'>" + "".join(
    f"<!ENTITY a{k} '{f'&a{k - 1};' * 10}'>" for k in range(1, 12)
) + "]>"  # fmt: skip
QUADRATIC = "<!DOCTYPE a [<!ENTITY a '" + "x" * 100_000 + "'>]>"
SMALL_PNG = png(COLS, ROWS, idat=zlib.compress(bytes((2 * COLS + 1) * ROWS)))

BOMBS: dict[str, Callable[[Path], Read]] = {
    "tiff, strip that inflates": lambda f: recording(
        f, "frames.tif", tiff(3000, 3000, deflated_zeros(ZEROS_MB), compression=8),
        width=3000, height=3000, n=1),
    "tiff, page of gigabytes": lambda f: recording(
        f, "frames.tif", tiff(16000, 16000, zlib.compress(b"a"), compression=8),
        width=16000, height=16000),
    "tiff, other size than the camera": lambda f: recording(
        f, "frames.tif", tiff(16000, 16000, deflated_zeros(ZEROS_MB), compression=8)),
    "tiff, pages in a ring": lambda f: recording(
        f, "frames.tif", tiff(COLS, ROWS, counts(1).tobytes(), compression=1, next_at=1)),
    "tiff of a picture folder": lambda f: recording(
        f, "frames/0.tif", tiff(16000, 16000, deflated_zeros(ZEROS_MB), compression=8)),
    "png, pixels beyond the picture": lambda f: recording(
        f, "frames/0.png", png(COLS, ROWS, idat=deflated_zeros(ZEROS_MB)), n=1),
    "png, huge first picture": lambda f: recording(
        f, "frames/0.png", png(16000, 16000, idat=deflated_zeros(ZEROS_MB))),
    "png, huge text": lambda f: recording(
        f, "frames/0.png", png(COLS, ROWS, (b"zTXt", b"a\0\0" + deflated_zeros(ZEROS_MB)),
                               idat=zlib.compress(bytes((2 * COLS + 1) * ROWS))), n=1),
    "png, huge colour profile": lambda f: recording(
        f, "frames/0.png", png(COLS, ROWS, (b"iCCP", b"a\0\0" + deflated_zeros(ZEROS_MB)),
                               idat=zlib.compress(bytes((2 * COLS + 1) * ROWS))), n=1),
    "npy, frames that are not there": lambda f: recording(
        f, "frames.npy", npy_header(f"({10**12}, {ROWS}, {COLS})") + bytes(2 * ROWS * COLS)),
    "npy, one absurd frame": lambda f: recording(
        f, "frames.npy", npy_header("(1, 10000000, 10000000)")),
    "npy, nested header": lambda f: recording(f, "frames.npy", npy_header("(" * 5000)),
    "npy, header of gigabytes": lambda f: recording(
        f, "frames.npy", b"\x93NUMPY\x02\x00\xff\xff\xff\xff{"),
    "video, frames of 72 MB": huge_video,
    "stand, baseline of terabytes": of("stand.npy", npy_header("(1000000, 1000000)", descr="<f8")),
    "cold picture of terabytes": of("cold picture", npy_header("(1000000, 1000000)")),
    "photo of gigapixels": of("board photo", png(60000, 60000, idat=zlib.compress(b"a"))),
    "photo, upload of gigapixels": of("uploaded png", png(60000, 60000, idat=zlib.compress(b"a"))),
    "evidence, huge text": of("evidence.png", fact_bomb()),
    "evidence of gigapixels": of("evidence.png", png(60000, 60000, idat=zlib.compress(b"a"))),
    "xml, entities in entities": of("ipc2581", build_xml("&a11;", LAUGHS)),
    "xml, one long entity": of("ipc2581", build_xml("&a;" * 50_000, QUADRATIC)),
    "xml, a million levels": of("ipc2581", build_xml("<a>" * 1_000_000)),
    "xml, one attribute of 30 MB": of("ipc2581", build_xml(f'<a b="{"x" * 30_000_000}"/>')),
    "zip, description of a gigabyte": zipped("backup zip", "backup.json", ZEROS_MB),
    "zip, sums of a gigabyte": zipped("job zip", "SHA256SUMS", ZEROS_MB),
    "zip, file of gigabytes": zipped("backup zip", "files/" + "0" * 64, 3 * ZEROS_MB),
    "zip, table of one line": zipped("backup zip", "tables/jobs.jsonl", ZEROS_MB),
    "csv, columns times lines": of(
        "injection.csv", ("t_s,on," + ",".join(f"c{k}" for k in range(50_000)) + "\n").encode()
        + b"".join(f"{k},1\n".encode() for k in range(50_000))),
    "csv, sixteen million lines": of("frames.csv", b"index,t_s\n" + b"0,1\n" * 16_000_000),
    "landmarks, a hundred thousand": of(
        "landmarks.csv",
        b"thermal_x_px,thermal_y_px,photo_x_px,photo_y_px\n" + b"1,2,3,4\n" * 100_000),
    "toml, key of a hundred thousand parts": of("recording.toml", b"a." * 100_000 + b"a = 1\n"),
    "toml, quoted key of many parts": of("board.toml", b'"a".' * 50_000 + b"a = 1\n"),
    "toml, lists in lists": of("recording.toml", b"a = " + b"[" * 100_000),
    "toml, tables in tables": of("profile", b"a = " + b"{a=" * 100_000),
    "json, lists in lists": of("stand.json", b"[" * 1_000_000),
    "json, finding of lists": of("finding.json", b"[" * 1_000_000),
    "json, a number of many digits": of("finding.json", b'{"a": ' + b"9" * 1_000_000 + b"}"),
    "json, facts of lists": of("facts", b"[" * 1_000_000),
    "plan of lists": of("plan.json", b"[" * 1_000_000),
    "rules with a width of a gigabyte": of(
        "triage rules", RULES.replace("{before_a:.3g}", "{before_a:999999999.3g}").encode()),
    "dialect with a width of a gigabyte": of(
        "supply dialect", b'set_volts = "VOLT {volts:999999999.3f}"\n'),
    "netlist of one endless line": of("netlist", b"317GND\n" + b"0" * 20 + b"\n017 x\n" * 200_000),
}  # fmt: skip
# What is inside the small file, once it is read, is harmless: these may be read as well.
MAY_BE_READ = ("png, pixels beyond the picture",
               "cold picture of terabytes", "npy, frames that are not there")  # fmt: skip


def peak_mb() -> float:
    """Most memory since `forget_peak`: VmHWM of proc(5)."""
    status = Path("/proc/self/status").read_text()
    return int(status.split("VmHWM:")[1].split()[0]) / 1024


def forget_peak() -> None:
    Path("/proc/self/clear_refs").write_text("5")


def explode(name: str, folder: Path) -> dict[str, object]:
    read = BOMBS[name](folder)
    forget_peak()
    before_mb, began_s = peak_mb(), time.process_time()
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            read()
        answer = "read"
    except HotspotError as error:
        answer = error.sentence
    except Exception as error:
        answer = f"BROKE: {type(error).__name__}: {error}"
    return {
        "name": name,
        "answer": answer,
        "seconds": round(time.process_time() - began_s, 2),
        "grown_mb": round(peak_mb() - before_mb, 1),
    }


def main() -> None:
    import resource

    resource.setrlimit(resource.RLIMIT_AS, (MOST_BYTES, MOST_BYTES))
    for name in sys.argv[1:] or BOMBS:
        with tempfile.TemporaryDirectory(prefix="hotspot-bomb-") as folder:
            print(json.dumps(explode(name, Path(folder))), flush=True)


if __name__ == "__main__":
    main()
