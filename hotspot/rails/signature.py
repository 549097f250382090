"""What the bench supply shows when the board is connected and the power button is pressed.

The current over time is turned into a few numbers; what they mean is not decided here but by the
rules in `triage_rules.toml`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from hotspot.checks import FloatArray

# Share of the way from idle to peak below which the current counts as fallen back to idle, and
# above which it counts as risen again. Two levels, so that ripple at one level is not counted.
_FALLEN, _RISEN = 0.15, 0.5
# The last part of the log that counts as "settled".
_SETTLED_SHARE = 0.25


@dataclass(frozen=True, slots=True)
class SupplySignature:
    """The numbers that the rules of triage look at.

    Attributes
    ----------
    before_a
        Current before the button is pressed.
    press_peak_a
        Highest current after the press (95th percentile of a log, so that one spike is not it).
    settled_a
        Current at the end.
    returns
        How often the current fell back to idle after having risen.
    period_s
        Typical time between the rises, None with fewer than two.
    spread
        Standard deviation over mean after the press, None when not logged.
    limit_a
        Current limit set at the supply, None if not known.
    supply_v
        Voltage set at the supply, None if not known.
    lowest_v
        Lowest voltage logged, None if not logged.
    samples
        Readings after the press; 1 to 3 when typed in.
    notes
        What had to be assumed, one sentence each.
    """

    before_a: float | None = None
    press_peak_a: float | None = None
    settled_a: float | None = None
    returns: int = 0
    period_s: float | None = None
    spread: float | None = None
    limit_a: float | None = None
    supply_v: float | None = None
    lowest_v: float | None = None
    samples: int = 0
    notes: tuple[str, ...] = ()

    def features(self) -> Mapping[str, float]:
        """Return every number that is known, with the derived ones, by name."""
        known: dict[str, float] = {
            name: float(value)
            for name in self.__dataclass_fields__
            if name != "notes" and (value := getattr(self, name)) is not None
        }
        if self.before_a is not None and self.press_peak_a is not None:
            known["rise_a"] = max(self.press_peak_a - self.before_a, 0.0)
        if self.press_peak_a and self.settled_a is not None:
            known["held"] = self.settled_a / self.press_peak_a
        if self.limit_a:
            if self.before_a is not None:
                known["before_of_limit"] = self.before_a / self.limit_a
            if self.settled_a is not None:
                known["settled_of_limit"] = self.settled_a / self.limit_a
        if self.supply_v and self.lowest_v is not None:
            known["sag"] = 1.0 - self.lowest_v / self.supply_v
        return known


def build_signature(
    *,
    before_a: float | None = None,
    press_a: float | None = None,
    later_a: Sequence[float] = (),
    limit_a: float | None = None,
    supply_v: float | None = None,
) -> SupplySignature:
    """Return the signature typed in by hand.

    Parameters
    ----------
    before_a, press_a
        Current before and on pressing the power button.
    later_a
        Currents after that, in order, about a second apart.
    limit_a, supply_v
        What the supply is set to.

    Raises
    ------
    ValueError
        For a negative or non-finite value.
    """
    named = {"before_a": before_a, "press_a": press_a, "limit_a": limit_a, "supply_v": supply_v}
    for name, value in [*named.items(), *(("later_a", v) for v in later_a)]:
        if value is not None and not (math.isfinite(value) and value >= 0):
            raise ValueError(f"{name} must be >= 0, got {value!r}")
    after = [*([] if press_a is None else [press_a]), *later_a]
    idle = before_a or 0.0
    times = np.arange(len(after), dtype=np.float64)
    returns, period = _returns(times, np.asarray(after, dtype=np.float64), idle)
    return SupplySignature(
        before_a=before_a,
        press_peak_a=max(after) if after else None,
        settled_a=after[-1] if after else None,
        returns=returns,
        period_s=period,
        limit_a=limit_a,
        supply_v=supply_v,
        samples=len(after),
    )


def measure_signature(
    t_s: FloatArray,
    amps: FloatArray,
    *,
    press_s: float | None = None,
    volts: FloatArray | None = None,
    limit_a: float | None = None,
    supply_v: float | None = None,
) -> SupplySignature:
    """Return the signature of a logged current.

    Parameters
    ----------
    t_s, amps
        (n,) time in s, increasing, and current in A.
    press_s
        When the power button was pressed. None: at the first clear rise; without one the button
        counts as not pressed.
    volts
        (n,) supply voltage, if logged.
    limit_a, supply_v
        What the supply is set to.

    Raises
    ------
    ValueError
        If the arrays differ in length or hold fewer than two readings.
    """
    t = np.asarray(t_s, dtype=np.float64)
    a = np.asarray(amps, dtype=np.float64)
    if t.shape != a.shape or t.ndim != 1 or t.size < 2:
        raise ValueError(
            f"t_s and amps must both have shape (n,), n >= 2, got {t.shape}, {a.shape}"
        )
    press = _first_rise(t, a) if press_s is None else press_s
    notes: tuple[str, ...] = ()
    if press is not None and press_s is None:
        notes = (
            f"the rise at {press:.3g} s is taken as the press of the power button; if it was "
            "the supply being connected, a rail that is always on is shorted: give the time of "
            "the press",
        )
    idle_part = a if press is None else a[t < press]
    before = float(np.median(idle_part)) if idle_part.size else None
    lowest = None if volts is None else float(np.nanmin(volts))
    after = np.zeros(0) if press is None else a[t >= press]
    if not after.size:
        return SupplySignature(before_a=before, limit_a=limit_a, supply_v=supply_v, lowest_v=lowest)
    tail = after[-max(1, round(_SETTLED_SHARE * after.size)) :]
    returns, period = _returns(t[-after.size :], after, before or 0.0)
    mean = float(np.mean(after))
    return SupplySignature(
        before_a=before,
        press_peak_a=float(np.percentile(after, 95)),
        settled_a=float(np.median(tail)),
        returns=returns,
        period_s=period,
        spread=float(np.std(after)) / mean if mean > 0 else None,
        limit_a=limit_a,
        supply_v=supply_v,
        lowest_v=lowest,
        samples=int(after.size),
        notes=notes,
    )


def _first_rise(t: FloatArray, a: FloatArray) -> float | None:
    """Return when the current first leaves its first level, by far more than its own scatter."""
    head = a[: max(3, a.size // 20)]
    level = float(np.median(head))
    # 1.4826 times the median deviation is the standard deviation of normal noise; 5 mA is below
    # any prompt to boot and above a supply's display noise.
    scatter = 1.4826 * float(np.median(np.abs(head - level)))
    above = np.flatnonzero(a > level + max(6.0 * scatter, 0.005, 0.2 * level))
    return float(t[above[0]]) if above.size and above[0] > 0 else None


def _returns(t: FloatArray, a: FloatArray, idle_a: float) -> tuple[int, float | None]:
    """Count falls back to idle after a rise, and the typical time between rises."""
    if a.size < 2:
        return 0, None
    swing = float(np.percentile(a, 95)) - idle_a
    if swing <= 0:
        return 0, None
    level = (a - idle_a) / swing
    up, count = False, 0
    rises: list[float] = []
    for time, value in zip(t, level, strict=True):
        if not up and value > _RISEN:
            up = True
            rises.append(float(time))
        elif up and value < _FALLEN:
            up = False
            count += 1
    return count, float(np.median(np.diff(rises))) if len(rises) > 1 else None
