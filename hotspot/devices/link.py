"""One line out, one line back: the wire to an instrument, and a scripted twin for tests.

Measured habits of PyVISA with its pure Python back end that this module answers:

- opening a refused port succeeds; the first query raises a bare ``OSError``;
- a black-hole address raises a plain ``Exception`` after the open timeout;
- after a query that timed out, the late answer is handed to the *next* query;
- one session used by two threads mixes up the answers.
"""

from __future__ import annotations

import threading
import warnings
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

from hotspot.errors import SupplyError

CHECK_WIRE = "Check the cable, the supply's remote setting and the address"


class Link(Protocol):
    """What a wire to an instrument can do."""

    @property
    def name(self) -> str:
        """Address, for messages."""

    def write(self, line: str) -> None:
        """Send one line."""

    def query(self, line: str, *, patience: float = 1.0) -> str:
        """Send one line and return the answer, stripped; waits `patience` times as long."""

    def recover(self) -> None:
        """Throw away late answers so that the next query gets its own; re-open if need be."""

    def close(self) -> None:
        """Close; never raises."""


class VisaLink:
    """A PyVISA session with one lock, explicit terminations and all its errors in one kind.

    Parameters
    ----------
    address
        VISA resource name: ``TCPIP::192.0.2.7::5025::SOCKET``, ``ASRL/dev/ttyUSB0::INSTR``,
        ``USB0::…::INSTR``.
    timeout_s
        Longest wait for one answer.
    termination
        End of a line, both ways.
    baud_rate
        For serial ports.
    backend
        PyVISA's library string; "@py" is the pure Python one.

    Raises
    ------
    SupplyError
        If the address cannot be opened.
    """

    def __init__(
        self,
        address: str,
        *,
        timeout_s: float = 0.5,
        termination: str = "\n",
        baud_rate: int = 9600,
        backend: str = "@py",
    ) -> None:
        import pyvisa

        self._address = address
        self._timeout_s = timeout_s
        self._termination = termination
        self._baud_rate = baud_rate
        self._lock = threading.RLock()
        self._session: Any = None
        # PyVISA's own kind, what sockets and serial ports raise, and answers that are not text.
        self._errors: tuple[type[BaseException], ...] = (
            pyvisa.Error,
            OSError,
            ValueError,
            AttributeError,  # the pure back end, when the other side closed during the call
        )
        try:
            self._manager = pyvisa.ResourceManager(backend)
        except self._errors as err:
            raise SupplyError(
                f"PyVISA back end {backend} is not usable: {err}", where=address
            ) from err
        self._open()

    @property
    def name(self) -> str:
        """Address, for messages."""
        return self._address

    def _open(self) -> None:
        import pyvisa

        try:
            session: Any = self._manager.open_resource(
                self._address, open_timeout=int(1000 * max(1.0, self._timeout_s))
            )
            session.timeout = int(1000 * self._timeout_s)
            session.read_termination = self._termination
            session.write_termination = self._termination
            if session.interface_type == pyvisa.constants.InterfaceType.asrl:
                session.baud_rate = self._baud_rate
        except Exception as err:  # the pure back end raises a plain Exception for a dead address
            raise SupplyError(f"cannot open: {err}", where=self.name, cure=CHECK_WIRE) from err
        self._session = session

    def write(self, line: str) -> None:
        """Send one line.

        Raises
        ------
        SupplyError
            If it could not be sent.
        """
        with self._lock:
            if self._session is None:
                self._open()
            try:
                self._session.write(line)
            except self._errors as err:
                raise SupplyError(
                    f"sending '{line}' failed: {err}", where=self.name, cure=CHECK_WIRE
                ) from err

    def query(self, line: str, *, patience: float = 1.0) -> str:
        """Send one line and return the answer, stripped.

        Parameters
        ----------
        line
            The question.
        patience
            The answer is waited for this many times the usual timeout.

        Raises
        ------
        SupplyError
            If it could not be sent, or no answer came in time.
        """
        with self._lock:
            if self._session is None:
                self._open()
            timeout_s = patience * self._timeout_s
            try:
                self._session.timeout = int(1000 * timeout_s)
                answer = str(self._session.query(line))
            except self._errors as err:
                self._drop()  # or the late answer would be handed to the next query
                raise SupplyError(
                    f"no answer to '{line}' within {timeout_s:g} s: {err}",
                    where=self.name,
                    cure=CHECK_WIRE,
                ) from err
        return answer.strip()

    def recover(self) -> None:
        """Drop the session, and with it any late answer; the next line opens a new one."""
        with self._lock:
            self._drop()

    def close(self) -> None:
        """Close; never raises."""
        with self._lock:
            self._drop()

    def _drop(self) -> None:
        session, self._session = self._session, None
        if session is not None:
            try:
                session.close()
            except self._errors:
                return  # it was gone already


def find_addresses(*, backend: str = "@py") -> tuple[str, ...]:
    """Return the addresses PyVISA can list (a second or so; sockets are never listed).

    Raises
    ------
    SupplyError
        If the back end is not usable.
    """
    import pyvisa

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # hints at packages for discovery on the network
            return tuple(pyvisa.ResourceManager(backend).list_resources("?*"))
    except (pyvisa.Error, OSError, ValueError) as err:
        raise SupplyError(f"cannot list instruments: {err}") from err


Exchange = tuple[str, str | None]


@dataclass(slots=True)
class ScriptedLink:
    """A wire that knows its conversation and fails on any other word.

    Attributes
    ----------
    script
        Lines to come, each with the answer, None for a line without one.
    cut_after
        Number of messages that go through before the wire is cut; None for never.
    attempted
        Every line that was tried, whether it went through or not.
    """

    script: Sequence[Exchange] = ()
    cut_after: int | None = None
    attempted: list[str] = field(default_factory=list)
    name: str = "scripted supply"

    def write(self, line: str) -> None:
        """Send one line."""
        self._next(line)

    def query(self, line: str, *, patience: float = 1.0) -> str:
        """Send one line and return the scripted answer."""
        answer = self._next(line)
        if answer is None:
            raise SupplyError(f"no answer to '{line}'", where=self.name, cure=CHECK_WIRE)
        return answer

    def recover(self) -> None:
        """Do nothing: a cut wire stays cut."""

    def close(self) -> None:
        """Do nothing."""

    @property
    def leftovers(self) -> tuple[Exchange, ...]:
        """What was never said."""
        return tuple(self.script[len(self.attempted) :])

    def _next(self, line: str) -> str | None:
        number = len(self.attempted)
        self.attempted.append(line)
        if self.cut_after is not None and number >= self.cut_after:
            raise SupplyError(f"sending '{line}' failed: the wire is cut", where=self.name)
        if number >= len(self.script):
            raise ValueError(f"line {number + 1} must be the end, got {line!r}")
        expected, answer = self.script[number]
        if line != expected:
            raise ValueError(f"line {number + 1} must be {expected!r}, got {line!r}")
        return answer
