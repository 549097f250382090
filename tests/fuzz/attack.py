"""One damaged file given to one reader: what came of it, and whether that is good enough."""

from __future__ import annotations

import re
import time
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from hotspot.errors import HotspotError
from tests.fuzz.targets import Read

# A reader that takes longer for a file of some kB hangs, for whoever waits for it.
LONGEST_S = 5.0
LONGEST_SENTENCE = 1250  # three parts of 400 characters


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a reader made of a file.

    Attributes
    ----------
    kind
        A short name for the way it went, the same for files that fail alike.
    broken
        Why that is not good enough; "" when the file was read, or refused in one sentence.
    """

    kind: str
    broken: str = ""


def outcome_of(path: Path, data: bytes, read: Read) -> Outcome:
    """Write `data` to `path` and read it."""
    path.write_bytes(data)
    began_s = time.process_time()  # of this process: others may keep the machine busy
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            read()
        found = Outcome("read")
    except HotspotError as error:
        found = Outcome(_shape(error.sentence), _fault_of(error.sentence))
    except Exception as error:
        found = Outcome(type(error).__name__, f"{type(error).__name__}: {error}"[:300])
    took_s = time.process_time() - began_s
    if took_s > LONGEST_S:
        return Outcome("slow", f"took {took_s:.1f} s")
    return found


def _fault_of(sentence: str) -> str:
    if "\n" in sentence:
        return f"two lines: {sentence!r}"
    if len(sentence) > LONGEST_SENTENCE:
        return f"{len(sentence)} characters: {sentence[:80]!r}"
    return ""


def _shape(sentence: str) -> str:
    """Return a sentence without what differs from file to file."""
    plain = re.sub(r"'[^']*'|\"[^\"]*\"|\(.*?\)", "~", sentence)
    return re.sub(r"[^A-Za-z ]+", "", plain)[-80:]


def smallest(data: bytes, *, is_broken: Callable[[bytes], bool], most_s: float = 20.0) -> bytes:
    """Return a smaller file that breaks the reader as well: pieces are taken out while it does."""
    stop_s = time.monotonic() + most_s
    size = len(data) // 2
    while size and time.monotonic() < stop_s:
        at = 0
        while at < len(data) and time.monotonic() < stop_s:
            shorter = data[:at] + data[at + size :]
            if is_broken(shorter):
                data = shorter
            else:
                at += size
        size //= 2
    return data
