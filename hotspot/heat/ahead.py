"""Frames read and converted while the ones before them are looked at."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hotspot.frame import Recording

Converter = Callable[[NDArray[Any]], NDArray[np.float32]]


def read_ahead(
    recording: Recording, *, to_values: Converter, size: int
) -> Iterator[tuple[NDArray[Any], NDArray[np.float32]]]:
    """Yield the recording's raw chunks of at most `size` frames with their values, in order.

    One chunk is read, decoded and converted ahead, in a thread of its own: most of that runs
    outside the interpreter's lock, and a bench laptop has two cores. Errors are raised where the
    chunk would have come.
    """
    chunks = recording.source.chunks(size)

    def following() -> tuple[NDArray[Any], NDArray[np.float32]] | None:
        raw = next(chunks, None)
        return None if raw is None else (raw, to_values(raw))

    with ThreadPoolExecutor(1) as pool:
        pending = pool.submit(following)
        while (pair := pending.result()) is not None:
            pending = pool.submit(following)
            yield pair
            del pair  # or two chunks would be kept while the next is waited for
