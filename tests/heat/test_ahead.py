"""Reading ahead changes neither order nor errors."""

from types import SimpleNamespace

import numpy as np
import pytest

from hotspot.errors import RecordingError
from hotspot.heat.ahead import read_ahead


class Frames:
    def __init__(self, count: int, *, breaks_at: int | None = None) -> None:
        self.frames = np.arange(count, dtype=np.uint16)[:, None, None] * np.ones((1, 2, 3), int)
        self.breaks_at = breaks_at

    def chunks(self, size: int):
        for first in range(0, len(self.frames), size):
            if self.breaks_at is not None and first >= self.breaks_at:
                raise RecordingError("cannot be decoded", where="frames.mkv", cure="Copy it again")
            yield self.frames[first : first + size]


def doubled(raw: np.ndarray) -> np.ndarray:
    return 2 * raw.astype(np.float32)


@pytest.mark.parametrize("count", [0, 1, 4, 9])
def test_every_chunk_comes_once_and_in_order(count: int) -> None:
    recording = SimpleNamespace(source=Frames(count))
    seen = list(read_ahead(recording, to_values=doubled, size=4))
    assert [len(raw) for raw, _ in seen] == [len(c) for c in Frames(count).chunks(4)]
    raw = [int(v) for chunk, _ in seen for v in chunk[:, 0, 0]]
    values = [float(v) for _, chunk in seen for v in chunk[:, 0, 0]]
    assert raw == list(range(count))
    assert values == [2.0 * k for k in range(count)]


def test_an_error_comes_after_what_could_be_read() -> None:
    recording = SimpleNamespace(source=Frames(9, breaks_at=8))
    chunks = read_ahead(recording, to_values=doubled, size=4)
    assert [len(next(chunks)[0]) for _ in range(2)] == [4, 4]
    with pytest.raises(RecordingError, match="decoded"):
        next(chunks)


def test_who_stops_early_is_not_kept_waiting() -> None:
    chunks = read_ahead(SimpleNamespace(source=Frames(1000)), to_values=doubled, size=4)
    next(chunks)
    chunks.close()
    with pytest.raises(StopIteration):
        next(chunks)
