"""Programmable supplies over SCPI: the words per supply family are data, the law is code."""

from __future__ import annotations

import math
import re
import time
from collections.abc import Callable

from hotspot.devices.dialect import Dialect
from hotspot.devices.link import Link
from hotspot.devices.supply import BY_HAND, UNKNOWN_STATE, Bounds, Readback, nothing
from hotspot.errors import SupplyError

# Waits before each attempt to switch off and have it confirmed: a line that carries nonsense or is
# being plugged in again is often well within a second.
OFF_WAITS_S = (0.0, 0.1, 0.4)
# A slow supply has been told off by then: from the second attempt on its word is waited for longer.
PATIENCE = 4.0
# A number and at most a unit behind it; a decimal comma or a second number is no number.
_NUMBER = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*[A-Za-z]{0,2}")


class ScpiSupply:
    """A programmable supply on a link.

    The first line sent switches the output off: a supply keeps its last state when the program
    that drove it died, so every new connection begins with off.

    Parameters
    ----------
    link
        The wire.
    dialect
        Its words.
    bounds
        Set points beyond them raise.
    on_time_s
        Longest time the output stays on in this run, for supplies with a timer of their own.
    wait
        How to wait between attempts.
    """

    def __init__(
        self,
        link: Link,
        *,
        dialect: Dialect,
        bounds: Bounds,
        on_time_s: float | None = None,
        wait: Callable[[float], None] = time.sleep,
    ) -> None:
        self._link = link
        self._words = dialect
        self._bounds = bounds
        self._on_time_s = on_time_s
        self._wait = wait
        self._name = link.name

    def open(self) -> str:
        """Prepare the wire, switch the output off, return the identity.

        Raises
        ------
        SupplyError
            If the supply does not answer, or cannot be confirmed off.
        """
        try:
            for line in self._words.prepare:
                self._link.write(line)
            identity = self._link.query(self._words.identify)
        except SupplyError:
            self.switch_off()
            raise
        if not identity:
            self.switch_off()
            raise SupplyError("it has no name", where=self._name, cure="Is it a supply?")
        self._name = identity
        self.switch_off()
        return identity

    @property
    def name(self) -> str:
        """Identity, for the record."""
        return self._name

    @property
    def reads_back(self) -> bool:
        """Whether it measures its own output."""
        return bool(self._words.measure_volts and self._words.measure_amps)

    def set_point(self, volts: float, amps: float, /) -> None:
        """Set voltage and current limit; read back and compare.

        Raises
        ------
        ValueError
            Beyond the bounds; nothing is sent then.
        SupplyError
            If the supply refuses or reads back another value.
        """
        words = self._words
        self._bounds.check(volts=volts, amps=amps)
        self._link.write(words.set_volts.format(volts=volts))
        self._link.write(words.set_amps.format(amps=amps))
        self._raise_refusal(f"{volts:g} V, {amps:g} A")
        if words.ask_set_volts:
            self._compare("V", self._number(words.ask_set_volts), volts, words.tolerance_v)
        if words.ask_set_amps:
            self._compare("A", self._number(words.ask_set_amps), amps, words.tolerance_a)

    def arm_trips(self) -> None:
        """Arm the supply's own protections and timer, where it has them.

        Raises
        ------
        SupplyError
            If the supply refuses.
        """
        words = self._words
        if words.set_over_volts:
            self._link.write(words.set_over_volts.format(volts=self._bounds.trip_v))
        if words.set_over_amps:
            self._link.write(words.set_over_amps.format(amps=self._bounds.trip_a))
        if words.set_timer and self._on_time_s is not None:
            self._link.write(words.set_timer.format(seconds=self._on_time_s))
        if words.set_over_volts or words.set_over_amps or words.set_timer:
            self._raise_refusal("its own protection")

    def switch_on(self) -> None:
        """Switch the output on.

        Raises
        ------
        SupplyError
            If the supply refuses or does not report it on.
        """
        self._link.write(self._words.output_on)
        if self._words.ask_output and not self._state():
            raise SupplyError("output did not go on", where=self._name, cure="Has it tripped?")

    def switch_off(self) -> None:
        """Switch the output off and confirm it by read-back, three times if need be.

        Whatever happens the last line attempted is output off.

        Raises
        ------
        SupplyError
            "output state unknown" when it cannot be confirmed.
        """
        reason = ""
        for pause_s in OFF_WAITS_S:
            try:
                if pause_s:
                    self._wait(pause_s)
                self._link.write(self._words.output_off)
                patience = PATIENCE if pause_s else 1.0
                if not self._words.ask_output or not self._state(patience):
                    return
                reason = "it still says on"
            except SupplyError as err:
                reason = err.what
                self._link.recover()
        try:
            self._link.write(self._words.output_off)
        except SupplyError as err:
            reason = err.what
        raise SupplyError(f"{UNKNOWN_STATE} ({reason})", where=self._name, cure=BY_HAND)

    def read(self, between: Callable[[], None] = nothing, /) -> Readback:
        """Return measured volts and amps, output state and trips.

        Raises
        ------
        SupplyError
            If an answer is missing or is not a number.
        """
        words = self._words
        volts = self._number(words.measure_volts) if words.measure_volts else None
        between()
        amps = self._number(words.measure_amps) if words.measure_amps else None
        between()
        on = self._state() if words.ask_output else None
        between()
        tripped = self._number(words.ask_tripped) != 0.0 if words.ask_tripped else None
        return Readback(volts, amps, on, tripped)

    def close(self) -> None:
        """Switch the output off, confirm it and close the wire.

        Raises
        ------
        SupplyError
            "output state unknown" when it cannot be confirmed.
        """
        try:
            self.switch_off()
        finally:
            self._link.close()

    def _number(self, line: str) -> float:
        answer = self._link.query(line)
        match = _NUMBER.fullmatch(answer)
        value = float(match.group(1)) if match else math.nan
        if not math.isfinite(value):
            self._link.recover()
            raise SupplyError(
                f"'{line}' was answered with {answer[:40]!r}, no number",
                where=self._name,
                cure="Check the dialect and the line speed",
            )
        return value

    def _state(self, patience: float = 1.0) -> bool:
        answer = self._link.query(self._words.ask_output, patience=patience).strip().upper()
        if answer in ("1", "ON"):
            return True
        if answer in ("0", "OFF"):
            return False
        self._link.recover()
        raise SupplyError(
            f"'{self._words.ask_output}' was answered with {answer[:40]!r}", where=self._name
        )

    def _raise_refusal(self, asked: str) -> None:
        if not self._words.ask_error:
            return
        answer = self._link.query(self._words.ask_error)
        if not re.match(r"[+-]?0+\b", answer):
            raise SupplyError(f"the supply refused {asked}: {answer[:80]}", where=self._name)

    def _compare(self, unit: str, found: float, sent: float, absolute: float) -> None:
        if abs(found - sent) > absolute + self._words.tolerance_rel * abs(sent):
            raise SupplyError(
                f"set to {sent:g} {unit} but reads back {found:g} {unit}",
                where=self._name,
                cure="Check range, channel and step of the supply",
            )
