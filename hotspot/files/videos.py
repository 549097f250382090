"""Video files: FFV1 and raw 16-bit grey to the last bit, and usual 8-bit video.

The default paths of most libraries turn 16-bit grey into 8 bits without a word; here the plane's
bytes are taken as they are, and formats that would be converted are refused.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hotspot.errors import RecordingError
from hotspot.files.containers import COPY_AGAIN

VIDEO_SUFFIXES = (".mkv", ".avi", ".mp4", ".mov", ".m4v", ".webm", ".nut")
# Grey pixel formats by their name: what one value's bytes are.
_GREY = {
    "gray": "|u1", "gray8": "|u1", "y8": "|u1",
    "gray9le": "<u2", "gray10le": "<u2", "gray12le": "<u2", "gray14le": "<u2", "gray16le": "<u2",
    "gray9be": ">u2", "gray10be": ">u2", "gray12be": ">u2", "gray14be": ">u2", "gray16be": ">u2",
    "grayf32le": "<f4", "grayf32be": ">f4",
}  # fmt: skip
_PACKED_PAIRS = ("yuyv422", "uyvy422")  # two bytes a pixel: raw values may hide in them
_MAX_PIXELS = 1 << 26


class VideoSource:
    """Frames of a video file.

    Parameters
    ----------
    path
        The file.
    luma
        Give the luminance plane of colour video instead of RGB.
    raw_pairs
        Give two-byte packed frames as (rows, cols, 2) bytes, for cameras that send raw values
        under that name.

    Raises
    ------
    RecordingError
        No video in it, or a pixel format that would lose bits.
    """

    def __init__(self, path: Path, *, luma: bool = False, raw_pairs: bool = False) -> None:
        self.path = path
        with _opened(path) as container:
            stream = _stream(container, path)
            context = stream.codec_context
            name = context.pix_fmt or ""
            width, height = context.width, context.height
            if not 0 < width * height <= _MAX_PIXELS:
                raise RecordingError(
                    f"declares frames of {width} x {height} px", where=str(path), cure=COPY_AGAIN
                )
            self._kind, self.dtype = _layout(path, context, name, luma=luma, raw_pairs=raw_pairs)
            channels = {"rgb": (3,), "pairs": (2,)}.get(self._kind, ())
            self.shape: tuple[int, ...] = (height, width, *channels)
            self._n_frames = _count_packets(container, stream, path)

    def __len__(self) -> int:
        """Return the number of frames."""
        return self._n_frames

    def chunks(self, size: int = 64) -> Iterator[NDArray[Any]]:
        """Yield arrays of at most `size` frames, in order."""
        block = np.empty((size, *self.shape), dtype=self.dtype)
        filled = 0
        for k, frame in enumerate(self._frames()):
            if (frame.height, frame.width) != self.shape[:2]:
                raise RecordingError(
                    f"frame {k} is {frame.width} x {frame.height} px", where=str(self.path),
                    cure=COPY_AGAIN,
                )  # fmt: skip
            block[filled] = self._pixels(frame)
            filled += 1
            if filled == size:
                yield block
                block = np.empty((size, *self.shape), dtype=self.dtype)
                filled = 0
        if filled:
            yield block[:filled]

    def _frames(self) -> Iterator[Any]:
        import av

        with _opened(self.path) as container:
            stream = _stream(container, self.path)
            stream.thread_type = "AUTO"
            decoded = 0
            try:
                for frame in container.decode(stream):
                    yield frame
                    decoded += 1
            except (av.error.FFmpegError, ValueError, OSError) as err:
                raise RecordingError(
                    f"cannot be decoded after frame {decoded}",
                    where=str(self.path),
                    cure=COPY_AGAIN,
                ) from err

    def _pixels(self, frame: Any) -> NDArray[Any]:
        height, width = self.shape[:2]
        if self._kind == "rgb":
            pixels: NDArray[Any] = frame.to_ndarray(format="rgb24")
            return pixels
        plane = frame.planes[0]
        values = np.frombuffer(plane, dtype=self.dtype)
        line = plane.line_size // self.dtype.itemsize
        if self._kind == "pairs":
            pairs: NDArray[Any] = values.reshape(-1, line)[:height, : 2 * width]
            return pairs.reshape(height, width, 2)
        grey: NDArray[Any] = values.reshape(-1, line)[:height, :width]
        return grey


def _layout(
    path: Path, context: Any, name: str, *, luma: bool, raw_pairs: bool
) -> tuple[str, np.dtype[Any]]:
    if name in _GREY:
        return "grey", np.dtype(_GREY[name])
    if raw_pairs and name in _PACKED_PAIRS:
        return "pairs", np.dtype(np.uint8)
    components = context.format.components if context.format is not None else ()
    if not components or any(c.bits > 8 for c in components):
        raise RecordingError(
            f"has pixel format {name or 'unknown'}, which would lose bits",
            where=str(path),
            cure="Save 16-bit grey (gray16le, FFV1) or 8-bit video",
        )
    if luma and name.startswith(("yuv4", "yuvj4", "nv12", "nv21")):
        return "luma", np.dtype(np.uint8)
    return "rgb", np.dtype(np.uint8)


def _opened(path: Path) -> Any:
    import av

    # The name is a local file, never a URL: the libraries below know many protocols. PyAV's log
    # level is left alone: as it is, FFmpeg's messages go nowhere; any level set lets its worker
    # threads call into Python, and closing a damaged file then waits for them for ever.
    try:
        return av.open(f"file:{path}", mode="r")
    except (av.error.FFmpegError, ValueError, OSError) as err:
        raise RecordingError("is not a readable video", where=str(path), cure=COPY_AGAIN) from err


def _stream(container: Any, path: Path) -> Any:
    if not container.streams.video:
        raise RecordingError("holds no video", where=str(path), cure=COPY_AGAIN)
    stream = container.streams.video[0]
    if stream.codec_context is None:
        raise RecordingError(
            "holds video of a kind that cannot be decoded here", where=str(path), cure=COPY_AGAIN
        )
    return stream


def _count_packets(container: Any, stream: Any, path: Path) -> int:
    """Return the number of frames by walking the packets; nothing is decoded."""
    import av

    n = 0
    try:
        for packet in container.demux(stream):
            n += packet.size > 0 and not packet.is_corrupt
    except (av.error.FFmpegError, ValueError, OSError) as err:
        if n == 0:
            raise RecordingError("cannot be read", where=str(path), cure=COPY_AGAIN) from err
    return n
