"""When the output must go off at once: one question, one sentence for an answer."""

from __future__ import annotations

import threading
from dataclasses import dataclass

from hotspot.bench.schedule import Schedule, Segment
from hotspot.devices.supply import Readback

FRAME_STALE_S = 1.0
# A shutter event freezes the picture of a small camera for up to two seconds (common practice, no
# source); noise makes any two later frames differ, so the same picture for longer is a dead one.
FROZEN_S = 3.0
# A camera shows noise, a passing hand, a shutter event: below this rise nothing is cut.
RISE_FLOOR_K = 2.0
# Meters of plain bench supplies: 2 % and 30 mV, 20 mA (common practice, no source).
METER_REL, METER_V, METER_A = 0.02, 0.03, 0.02
SETTLE_S = 0.5  # a supply takes some tenths of a second to reach its set point


@dataclass(frozen=True, slots=True)
class Sight:
    """What the camera saw last.

    Attributes
    ----------
    at_s
        Time of the frame on the run's clock.
    hottest_c
        Hottest pixel; None for a camera without absolute temperature.
    hottest_k
        Largest rise above the cold baseline; None without one.
    changed_at_s
        Time of the last frame that differs from the one before; None where that says nothing
        (display video may stand still).
    """

    at_s: float
    hottest_c: float | None
    hottest_k: float | None
    changed_at_s: float | None = None


class ThermalWatch:
    """Takes the camera's word from its own thread and hands it to the run.

    Attributes
    ----------
    hold
        Why the output must not go on yet, in one sentence; "" when it may.
    problem
        What is wrong with the camera, in one sentence; "" when all is well. It ends a run.
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._sight: Sight | None = None
        self.hold = ""
        self.problem = ""

    def feed(self, sight: Sight) -> None:
        """Note the latest frame; the camera calls this for each frame."""
        with self._lock:
            self._sight = sight

    @property
    def latest(self) -> Sight | None:
        """The latest frame, None before the first."""
        with self._lock:
            return self._sight


class ExpectedRise:
    """Predicted rise of the brightest pixel for the power put in so far (superposition)."""

    def __init__(self, schedule: Schedule) -> None:
        self._schedule = schedule
        self._changes: list[tuple[float, float]] = []
        self._power_w = 0.0
        self._most_k = 0.0

    def set_power(self, power_w: float, *, at_s: float) -> None:
        """Note that the short takes `power_w` from now on."""
        # Meter noise of a hundredth is no change; without this the list grows with every reading.
        if abs(power_w - self._power_w) > 0.01 * max(power_w, self._power_w):
            self._changes.append((at_s, power_w - self._power_w))
            self._power_w = power_w

    def at(self, t_s: float) -> float:
        """Return the rise in K at time `t_s`.

        Without power the most that was expected so far: what cools slowly is no fault.
        """
        curve = self._schedule.rise_per_watt_k
        rise_k = sum(step_w * curve(t_s - since_s) for since_s, step_w in self._changes)
        self._most_k = max(self._most_k, rise_k)
        return rise_k if self._power_w > 0.0 else self._most_k


def find_camera_fault(
    schedule: Schedule, sight: Sight | None, *, now_s: float, expected_k: float
) -> str | None:
    """Return why the camera's word demands output off, or None."""
    if sight is None:
        return "no frame has arrived"
    if sight.changed_at_s is not None and now_s - sight.changed_at_s > FROZEN_S:
        return f"the same picture for {now_s - sight.changed_at_s:.1f} s: the camera has frozen"
    if now_s - sight.at_s > FRAME_STALE_S:
        return f"no frame for {now_s - sight.at_s:.1f} s (limit {FRAME_STALE_S:g} s)"
    if sight.hottest_c is not None and sight.hottest_c > schedule.max_pixel_c:
        return (
            f"a pixel shows {sight.hottest_c:.1f} °C, above the plan's {schedule.max_pixel_c:g} °C"
        )
    if sight.hottest_k is not None:
        allowed_k = max(RISE_FLOOR_K, schedule.rise_factor * expected_k)
        if sight.hottest_k > allowed_k:
            return (
                f"the rise is {sight.hottest_k:.1f} K, predicted {expected_k:.1f} K: "
                f"more than {schedule.rise_factor:g} times too fast"
            )
    return None


def find_supply_fault(
    schedule: Schedule, segment: Segment, read: Readback, *, since_s: float
) -> str | None:
    """Return why the supply's word demands output off, or None.

    Beyond a bound is a fault at once; a set point that is not reached only after `SETTLE_S`.
    """
    if read.tripped:
        return "the supply's own protection has tripped"
    if read.on is not None and read.on is not segment.on:
        state = "on" if read.on else "off"
        return f"the supply says {state} by itself"
    if not segment.on:
        if since_s > SETTLE_S and read.amps is not None and read.amps > METER_A:
            return f"{read.amps:.3g} A flow although the output is off"
        return None
    for unit, found, asked, bound, meter in (
        ("V", read.volts, segment.set_v, schedule.limit_v, METER_V),
        ("A", read.amps, segment.limit_a, schedule.limit_a, METER_A),
    ):
        if found is None:
            continue
        slack = METER_REL * asked + meter
        if found > asked + slack or found > bound + METER_REL * bound + meter:
            return f"{found:.3g} {unit} read back, {asked:g} {unit} set"
        if found < -slack:
            return f"{found:.3g} {unit} read back: leads reversed, or another source on the board"
    if since_s > SETTLE_S and read.volts is not None and read.amps is not None:
        low_v = read.volts < segment.set_v * (1.0 - METER_REL) - METER_V
        low_a = read.amps < segment.limit_a * (1.0 - METER_REL) - METER_A
        if low_v and low_a:
            return (
                f"{read.volts:.3g} V and {read.amps:.3g} A read back: the supply holds neither "
                f"{segment.set_v:g} V nor {segment.limit_a:g} A"
            )
    return None
