"""The injection log: `injection.csv` beside the frames, written line by line."""

from __future__ import annotations

from pathlib import Path
from types import TracebackType
from typing import TextIO

from hotspot.devices.supply import Readback
from hotspot.errors import HotspotError, InputError

HEADER = "t_s,on,volts,amps"


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
        volts = "" if read is None or read.volts is None else f"{read.volts:.4f}"
        amps = "" if read is None or read.amps is None else f"{read.amps:.4f}"
        try:
            self._file.write(f"{t_s:.3f},{int(on)},{volts},{amps}\n")
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
