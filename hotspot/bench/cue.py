"""When to switch by hand: a pulse train told ahead, so that a hand can follow."""

from __future__ import annotations

from dataclasses import dataclass

from hotspot.checks import check_positive


@dataclass(frozen=True, slots=True)
class Cue:
    """What the hand should do now.

    Attributes
    ----------
    on
        Whether the output should be on.
    next_on
        State after the next change; None when no change is left.
    left_s
        Time until the next change; 0 at the end.
    pulse
        Running number of the pulse that is on or comes next, from 1; the last one at the end.
    """

    on: bool
    next_on: bool | None
    left_s: float
    pulse: int


@dataclass(frozen=True, slots=True)
class PulseTrain:
    """On for `on_s`, off for `off_s`, so many times; the first pulse begins at `first_s`."""

    first_s: float
    on_s: float = 8.0
    off_s: float = 8.0
    pulses: int = 5

    def __post_init__(self) -> None:
        check_positive(self.on_s, name="on_s")
        check_positive(self.off_s, name="off_s")
        if self.pulses < 1:
            raise ValueError(f"pulses must be >= 1, got {self.pulses!r}")

    @property
    def end_s(self) -> float:
        """When the last pulse ends."""
        return self.first_s + self.pulses * (self.on_s + self.off_s) - self.off_s

    def at(self, t_s: float) -> Cue:
        """Return the cue at a time."""
        if t_s < self.first_s:
            return Cue(False, True, self.first_s - t_s, 1)
        if t_s >= self.end_s:
            return Cue(False, None, 0.0, self.pulses)
        number, within_s = divmod(t_s - self.first_s, self.on_s + self.off_s)
        if within_s < self.on_s:
            return Cue(True, False, self.on_s - within_s, int(number) + 1)
        return Cue(False, True, self.on_s + self.off_s - within_s, int(number) + 2)
