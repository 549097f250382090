"""The live form: the same sums, one frame at a time, for as long as one cares to watch.

`LiveHeat` takes frames as they come, at a cost that does not depend on how many came before, and
gives two things: at every frame a plain difference to the cold picture, for the eye; and, as often
as asked for, the gathered frames (`LiveHeat.snapshot`), from which `hotspot.find.find_gathered`
concludes exactly what it would from a recording that ended there.

Memory does not grow with time, save for 15 bytes a frame (its time, what it was worth, its bin):
11 MB in eight hours at 25 Hz.
"""

from __future__ import annotations

from collections import deque
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hotspot.frame import ArraySource, Recording, SwitchLog
from hotspot.heat.audit import MISSING_SHARE, FrameAudit
from hotspot.heat.badpixels import PixelStatistics, find_dead, find_offset_pixels
from hotspot.heat.bins import BinSums
from hotspot.heat.gather import Gathered
from hotspot.heat.robust import MAD_TO_SIGMA
from hotspot.heat.shutter import FREEZE_RUNS, FREEZE_S
from hotspot.profile import CameraProfile

# The picture for the eye follows with this time constant, s: quick enough for a hand that moves a
# probe, and 4 times less noise than a frame at 25 Hz.
EYE_TAU_S = 0.3
# Copies per look are remembered for this many looks: what is usual now.
LOOKS = 64
# A new look after a freeze differs from the last by this many robust standard deviations (of such
# differences between looks) and by this share more than is usual: then its pattern is another.
PATTERN_SIGMAS, PATTERN_SHARE = 5.0, 0.01
# Usual differences are known after this many.
FEWEST_LOOKS = 8
# Differences are taken on every so many pixels: 2700 of the smallest camera's, ample for 1 in 40.
PIXEL_STEP = 3
# A frame that claims an earlier time than the one before counts as this much later, s.
LEAST_STEP_S = 1e-4
# What happened to a frame.
_USED, _REPEATED, _SHUTTER, _LEFT_OUT = 0, 1, 2, 3


class LiveHeat:
    """Heat, one frame at a time.

    Frames come from one thread; `snapshot` may be called from another.

    Parameters
    ----------
    profile
        The camera.
    name
        For messages.
    """

    def __init__(self, profile: CameraProfile, *, name: str = "live") -> None:
        self.profile = profile
        self.name = name
        self._sums = BinSums(profile.shape)
        self._t_s = _Growing(np.float64)
        self._fate = _Growing(np.uint8)
        self._segment_of = _Growing(np.int32)
        self._segment = 0
        self._previous: NDArray[np.float32] | None = None
        self._copies: deque[int] = deque(maxlen=LOOKS)
        self._energies: deque[float] = deque(maxlen=LOOKS)
        self._run = 0
        self._missing = np.zeros(profile.shape, dtype=np.int32)
        self._log: list[tuple[float, bool, float, float]] = []
        self._was_on = False
        self._cold = np.zeros(profile.shape, dtype=np.float32)
        self._cold_frames = 0
        self._eye: NDArray[np.float32] | None = None
        self._eye_t_s = 0.0

    def __len__(self) -> int:
        """Return the number of frames seen."""
        return len(self._sums)

    def switch(self, on: bool, *, t_s: float, volts: float = np.nan, amps: float = np.nan) -> None:
        """Note that the output was switched, or that its current changed.

        Parameters
        ----------
        on
            Output on from now.
        t_s
            When, on the clock of the frames, s.
        volts, amps
            As read back from the supply; NaN when not known.
        """
        last = self._log[-1][0] if self._log else -np.inf
        self._log.append((max(float(t_s), last), bool(on), float(volts), float(amps)))
        self._was_on = self._was_on or bool(on)

    def add(
        self,
        values: NDArray[np.float32],
        *,
        t_s: float,
        used: bool | None = None,
        segment: int | None = None,
    ) -> None:
        """Add one frame.

        Parameters
        ----------
        values
            (rows, cols) float32, °C or relative; NaN where there is no value. Kept until the next
            frame: must not be changed by the caller.
        t_s
            Its time, s. A time that runs back is mended.
        used
            Whether it is a new look at the scene. None: it is, unless it equals the frame before
            in every pixel.
        segment
            Running number of its offset segment, for a caller who knows (a bump, a shutter). None:
            a new one begins after a freeze that is longer than the usual copies and leaves
            another pattern.

        Raises
        ------
        ValueError
            If the shape is not the camera's.
        """
        if values.shape != self.profile.shape:
            raise ValueError(f"values must have shape {self.profile.shape}, got {values.shape}")
        t_s = float(t_s)
        if len(self._t_s) and t_s <= self._t_s.last:
            t_s = float(self._t_s.last) + LEAST_STEP_S
        fate = _USED
        if used is None:
            if self._previous is not None and _same(values, self._previous):
                fate = _REPEATED
        elif not used:
            fate = _LEFT_OUT
        if segment is not None:
            self._segment = max(self._segment, int(segment))
        elif used is None and fate == _USED:
            self._end_run(values, t_s=t_s)
        self._run = self._run + 1 if fate == _REPEATED else 0
        self._previous = values
        # The notes first: a snapshot takes the bins first, and finds a note for each frame in them.
        self._t_s.append(t_s)
        self._fate.append(fate)
        self._segment_of.append(self._segment)
        if fate == _USED:
            self._sums.add(values, t_s=t_s, segment=self._segment)
            if not np.isfinite(values.sum()):
                holes = ~np.isfinite(values)
                self._missing += holes
                values = np.where(holes, self._cold if self._eye is None else self._eye, values)
            self._show(values, t_s=t_s)
        else:
            self._sums.skip()

    def _end_run(self, values: NDArray[np.float32], *, t_s: float) -> None:
        """Begin a segment if the copies before this new look were a closed shutter."""
        if self._previous is None:
            return
        change = (values - self._previous).reshape(-1)[::PIXEL_STEP]
        change = change[np.isfinite(change)]
        energy = float(np.var(change)) if len(change) else 0.0
        if self._run >= 2:
            usual = float(np.quantile(self._copies, 0.75)) if self._copies else 0.0
            lasted = t_s - self._t_s.at(len(self._t_s) - self._run - 1)
            long = self._run >= FREEZE_RUNS * usual + 1 and FREEZE_S[0] <= lasted <= FREEZE_S[1]
            if long and self._is_other_pattern(energy):
                self._segment += 1
                self._fate.fill_last(self._run, _SHUTTER)
                return
        self._copies.append(self._run)
        self._energies.append(energy)

    def _is_other_pattern(self, energy: float) -> bool:
        if len(self._energies) < FEWEST_LOOKS:
            return True
        usual = np.array(self._energies)
        middle = float(np.median(usual))
        sigma = MAD_TO_SIGMA * float(np.median(np.abs(usual - middle)))
        return energy > middle + max(PATTERN_SIGMAS * sigma, PATTERN_SHARE * middle)

    def _show(self, values: NDArray[np.float32], *, t_s: float) -> None:
        if not self._was_on:
            self._cold_frames += 1
            self._cold += (values - self._cold) / np.float32(self._cold_frames)
        if self._eye is None:
            self._eye, self._eye_t_s = values.copy(), t_s
            return
        share = np.float32(-np.expm1(-max(t_s - self._eye_t_s, 0.0) / EYE_TAU_S))
        self._eye += share * (values - self._eye)
        self._eye_t_s = t_s

    def rise_k(self) -> NDArray[np.float32]:
        """Return what the eye should see now: the latest frames less the cold picture.

        (rows, cols) float32, K or relative units; the common level of the picture is taken off, so
        that the camera's drift does not show. Before the output was first on, the cold picture is
        still being taken and the difference shows noise alone. Zeros before the first frame.
        """
        if self._eye is None:
            return np.zeros(self.profile.shape, dtype=np.float32)
        rise = self._eye - self._cold
        # Every seventh pixel: coprime to usual line lengths, and a median is good enough so.
        rise -= np.float32(np.nanmedian(rise.reshape(-1)[::7]))
        return rise

    def snapshot(self, *, bad: NDArray[np.bool_] | None = None) -> Gathered:
        """Return all that has been gathered so far, for `hotspot.find.find_gathered`.

        Parameters
        ----------
        bad
            (rows, cols) pixels that say nothing; None: those of the profile, missing, dead and
            lonely ones as far as the sums tell.

        Raises
        ------
        ValueError
            If no frame has been used yet.
        """
        bins = self._sums.result()
        n = len(bins.bin_of_frame)
        t_s, fate = self._t_s.first(n), self._fate.first(n)
        if bad is None:
            bad = self._find_bad(bins.noise, bins.reference, used=int(np.sum(fate == _USED)))
        segment = self._segment_of.first(n).astype(np.intp)
        recording = Recording(
            name=self.name,
            profile=self.profile,
            t_s=t_s,
            source=ArraySource(np.zeros((0, *self.profile.shape), dtype=np.float32)),
            injection=self._switch_log(),
        )
        audit = FrameAudit(
            used=fate == _USED,
            repeated=fate == _REPEATED,
            shutter=fate == _SHUTTER,
            moved=np.zeros(n, dtype=bool),
            segment=segment,
            shift_px=np.zeros((n, 2)),
            gain=np.ones(n),
            offset=np.zeros(n),
            t_s=t_s,
            bad=bad,
            frame_mean=np.zeros(n),
            noise=(0.0, 0.0, float(np.median(bins.noise))),
            shutter_events=(),
            shutter_steps=tuple(float(t_s[i]) for i in np.flatnonzero(np.diff(segment)) + 1),
        )
        return Gathered(recording=recording, audit=audit, bins=bins)

    def _switch_log(self) -> SwitchLog | None:
        log = list(self._log)
        if not log:
            return None
        t, on, volts, amps = zip(*log, strict=True)
        return SwitchLog(
            t_s=np.array(t), on=np.array(on, bool), volts=np.array(volts), amps=np.array(amps)
        )

    def _find_bad(
        self, noise: NDArray[np.float32], reference: NDArray[np.float32], *, used: int
    ) -> NDArray[np.bool_]:
        bad = self._missing > MISSING_SHARE * max(used, 1)
        for x, y in self.profile.bad_pixels:
            if 0 <= x < bad.shape[1] and 0 <= y < bad.shape[0]:
                bad[y, x] = True
        statistics = PixelStatistics.build(bad.shape)
        statistics.sum_square, statistics.count = np.square(noise), used
        bad |= find_dead(statistics)
        bad |= find_offset_pixels(reference, noise=float(np.median(noise)))
        return bad


class _Growing:
    """A one-dimensional array that grows at the end; its content never moves in time."""

    def __init__(self, dtype: Any) -> None:
        self._array: NDArray[Any] = np.zeros(1024, dtype=dtype)
        self._used = 0

    def __len__(self) -> int:
        return self._used

    @property
    def last(self) -> Any:
        return self._array[self._used - 1]

    def at(self, index: int) -> Any:
        return self._array[max(index, 0)]

    def append(self, value: Any) -> None:
        if self._used == len(self._array):
            self._array = np.concatenate([self._array, np.zeros_like(self._array)])
        self._array[self._used] = value
        self._used += 1

    def fill_last(self, count: int, value: Any) -> None:
        self._array[self._used - count : self._used] = value

    def first(self, count: int) -> NDArray[Any]:
        return self._array[:count].copy()


def _same(a: NDArray[np.float32], b: NDArray[np.float32]) -> bool:
    """Whether two frames are equal to the bit, NaN included."""
    middle = a.shape[0] // 2
    if not np.array_equal(a[middle], b[middle], equal_nan=True):
        return False
    return bool(np.array_equal(a, b, equal_nan=True))
