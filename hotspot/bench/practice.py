"""The practice bench as the bench code knows one: its supply, and a clock that need not wait."""

from __future__ import annotations

from collections.abc import Callable

from hotspot.bench.run import Timing
from hotspot.devices.supply import Bounds, Readback, nothing
from hotspot.frame import RawFrame
from hotspot.practice.bench import PracticeBench
from hotspot.practice.twin import PracticeCamera, PracticeSupply


class PracticeBenchSupply:
    """The practice supply under the law of `hotspot.devices.supply.Supply`.

    Parameters
    ----------
    twin
        The supply on the practice bench.
    bounds
        Set points beyond them raise; the twin's own protections are armed at its trips.
    """

    def __init__(self, twin: PracticeSupply, *, bounds: Bounds) -> None:
        self._twin = twin
        self._bounds = bounds

    @property
    def name(self) -> str:
        """Identity, for the record."""
        return self._twin.name

    @property
    def reads_back(self) -> bool:
        """It knows what it delivers."""
        return self._twin.reads_back

    def set_point(self, volts: float, amps: float, /) -> None:
        """Set voltage and current limit.

        Raises
        ------
        ValueError
            Beyond the bounds, or beyond what the supply can give.
        """
        self._bounds.check(volts=volts, amps=amps)
        self._twin.set_point(volts, amps)

    def arm_trips(self) -> None:
        """Arm the supply's own protections at the bounds."""
        twin = self._twin
        twin.arm_trips(
            trip_v=min(self._bounds.trip_v, twin.max_volts),
            trip_a=min(self._bounds.trip_a, twin.max_amps),
        )

    def switch_on(self) -> None:
        """Switch the output on."""
        self._twin.switch_on()

    def switch_off(self) -> None:
        """Switch the output off."""
        self._twin.switch_off()

    def read(self, between: Callable[[], None] = nothing, /) -> Readback:
        """Return what the supply measures; it answers at once, so nothing comes between."""
        state = self._twin.measure()
        return Readback(
            volts=state.volts,
            amps=state.amps,
            on=self._twin.setting.on,
            tripped=self._twin.tripped,
        )


def build_practice_timing(
    bench: PracticeBench,
    *,
    camera: PracticeCamera | None = None,
    show: Callable[[RawFrame], None] | None = None,
) -> Timing:
    """Return a clock on which waiting lets the practice bench's own time run.

    Parameters
    ----------
    bench
        The practice bench.
    camera, show
        A camera without a clock of its own, and who sees each frame that falls into the waiting.
    """
    period_s = 1.0 / bench.scene.camera.frame_rate_hz
    next_s = bench.t_s

    def wait(seconds: float) -> None:
        nonlocal next_s
        until = bench.t_s + max(seconds, 1e-3)  # a wait of nothing must still let time pass
        while camera is not None and next_s <= until:
            frame = camera.read()
            next_s += period_s
            if show is not None:
                show(frame)
        bench.advance_to(until)

    return Timing(now=lambda: bench.t_s, wait=wait)
