"""The camera and the supply that stand around a practice bench."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

from numpy.typing import NDArray

from hotspot.checks import check_at_least
from hotspot.frame import RawFrame
from hotspot.practice.bench import PracticeBench
from hotspot.practice.circuit import CircuitState, SupplySetting


class PracticeCamera:
    """A camera over a practice bench.

    Parameters
    ----------
    bench
        What it looks at.
    clock
        Time in s; None: the camera sets the pace itself, a frame period each `read`.
    """

    def __init__(self, bench: PracticeBench, *, clock: Callable[[], float] | None = None) -> None:
        self.bench = bench
        self.profile = bench.scene.camera.to_profile()
        self._clock = clock
        self._start_s = clock() if clock else 0.0
        self._index = 0

    @property
    def shape(self) -> tuple[int, int]:
        """(rows, cols) of a frame."""
        return self.bench.scene.camera.shape

    def read(self) -> RawFrame:
        """Return the frame at the present time."""
        period = 1.0 / self.bench.scene.camera.frame_rate_hz
        t_s = self._clock() - self._start_s if self._clock else self._index * period
        delivered = self.bench.deliver(t_s)
        counts: NDArray[Any] = delivered.counts
        frame = RawFrame(counts=counts, t_s=self.bench.t_s, index=self._index)
        self._index += 1
        return frame


class PracticeSupply:
    """A bench supply on a practice bench.

    Its own over-voltage and over-current protections switch the output off when armed and
    passed; the set point alone never passes them on a sound supply.

    Parameters
    ----------
    bench
        What it feeds.
    clock
        Time in s from the same start as the camera's; None: changes act at the bench's time.
    max_volts, max_amps
        What it can give.
    """

    name = "practice supply"
    reads_back = True

    def __init__(
        self,
        bench: PracticeBench,
        *,
        clock: Callable[[], float] | None = None,
        max_volts: float = 32.0,
        max_amps: float = 5.0,
    ) -> None:
        self.bench = bench
        self.max_volts = max_volts
        self.max_amps = max_amps
        self.tripped = False
        self._trip_v, self._trip_a = max_volts, max_amps
        self._clock = clock
        self._start_s = clock() if clock else 0.0

    @property
    def setting(self) -> SupplySetting:
        """Set voltage, current limit and output state."""
        return self.bench.setting

    def set_point(self, volts: float, amps: float, /) -> None:
        """Set voltage and current limit.

        Raises
        ------
        ValueError
            Outside 0..max_volts or 0..max_amps; nothing is changed.
        """
        self._change(
            volts=_within(volts, bound=self.max_volts, name="volts"),
            amps=_within(amps, bound=self.max_amps, name="amps"),
        )

    def arm_trips(self, *, trip_v: float, trip_a: float) -> None:
        """Arm its own protections.

        Raises
        ------
        ValueError
            Outside 0..max_volts or 0..max_amps; nothing is changed.
        """
        volts = _within(trip_v, bound=self.max_volts, name="trip_v")
        self._trip_a = _within(trip_a, bound=self.max_amps, name="trip_a")
        self._trip_v = volts

    def switch_on(self) -> None:
        """Switch the output on; clears a trip."""
        self.tripped = False
        self._change(on=True)

    def switch_off(self) -> None:
        """Switch the output off."""
        self._change(on=False)

    def measure(self) -> CircuitState:
        """Return what flows now."""
        with self.bench.lock:
            self._tick()
            return self.bench.state

    def _change(self, **changes: Any) -> None:
        with self.bench.lock:
            self._tick()
            self.bench.set_supply(replace(self.bench.setting, **changes))
            state = self.bench.state
            if state.volts > self._trip_v or state.amps > self._trip_a:
                self.bench.set_supply(replace(self.bench.setting, on=False))
                self.tripped = True

    def _tick(self) -> None:
        if self._clock:
            self.bench.advance_to(self._clock() - self._start_s)


def _within(value: float, *, bound: float, name: str) -> float:
    check_at_least(value, bound=0.0, name=name)
    if value > bound:
        raise ValueError(f"{name} must be <= {bound}, got {value!r}")
    return float(value)
