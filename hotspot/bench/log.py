"""The injection log: `injection.csv` beside the frames, written line by line."""

from __future__ import annotations

from pathlib import Path
from types import TracebackType
from typing import Protocol, TextIO

from hotspot.devices.supply import Readback
from hotspot.errors import HotspotError, InputError
from hotspot.files.recorder import RecordingWriter

HEADER = "t_s,on,volts,amps"
TICK_S = 0.001  # times are written to the millisecond and always increase


class Log(Protocol):
    """Where a run writes down what the supply does."""

    def add(self, t_s: float, *, on: bool, read: Readback | None = None) -> None:
        """Write one line: the state from `t_s` on."""


class RecorderLog:
    """The log of a running recording, written by its recorder."""

    def __init__(self, recorder: RecordingWriter) -> None:
        self._recorder = recorder
        self._last_s = -1.0

    def add(self, t_s: float, *, on: bool, read: Readback | None = None) -> None:
        """Write one line; times at the same millisecond are told apart."""
        self._last_s = max(round(t_s, 3), self._last_s + TICK_S)
        volts, amps = (None, None) if read is None else (read.volts, read.amps)
        self._recorder.append_injection(self._last_s, on=on, volts=volts, amps=amps)


class InjectionLog:
    """Writer of `injection.csv`; each line holds from its time on, and is on disk at once.

    Parameters
    ----------
    path
        The file; it must not exist.

    Raises
    ------
    InputError
        If it exists or cannot be made.
    """

    def __init__(self, path: Path) -> None:
        self._name = str(path)
        self._last_s = -1.0
        try:
            self._file: TextIO = path.open("x", encoding="utf-8", newline="\n")
        except FileExistsError as err:
            cure = "Name another folder; a log is never overwritten"
            raise InputError("there is a log already", where=str(path), cure=cure) from err
        except OSError as err:
            raise InputError(f"cannot write: {err.strerror}", where=str(path)) from err
        self._file.write(HEADER + "\n")
        self._file.flush()

    def add(self, t_s: float, *, on: bool, read: Readback | None = None) -> None:
        """Write one line.

        Raises
        ------
        HotspotError
            If the disk does not take it; the run then ends with the output off.
        """
        self._last_s = max(round(t_s, 3), self._last_s + TICK_S)
        volts = "" if read is None or read.volts is None else f"{read.volts:.4f}"
        amps = "" if read is None or read.amps is None else f"{read.amps:.4f}"
        try:
            self._file.write(f"{self._last_s:.3f},{int(on)},{volts},{amps}\n")
            self._file.flush()
        except OSError as err:
            raise HotspotError(f"cannot write the log: {err.strerror}", where=self._name) from err

    def __enter__(self) -> InjectionLog:
        """Return the open log."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Close the file."""
        self._file.close()
