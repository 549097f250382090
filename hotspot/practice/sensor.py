"""A thermal camera's own faults and its counts."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from hotspot.checks import FloatArray, check_at_least, check_positive
from hotspot.practice.optics import PLANCK_B_K, to_radiance
from hotspot.profile import CameraProfile, RadianceCurve, Values

# Three memories a decade apart add up to noise close to 1/f over the minutes of a recording.
_FLICKER_TIMES_S = (1.0, 10.0, 100.0)


@dataclass(frozen=True, slots=True)
class CameraSettings:
    """One thermal camera. Noise figures are standard deviations at room temperature.

    Attributes
    ----------
    name, width, height, frame_rate_hz
        As in `hotspot.profile.CameraProfile`.
    values
        What it delivers.
    scale, offset
        °C = counts · scale + offset, for counts without a radiance curve.
    radiance_curve
        Deliver counts linear in radiance instead.
    blur_px
        Gaussian spread of the lens.
    netd_mk
        White noise of one frame.
    noise_blur_px
        Smoothing the camera does over neighbours (the noise keeps its netd_mk).
    fixed_pattern_mk, column_pattern_mk
        Offsets that stay: per pixel, per column.
    row_noise_mk, column_noise_mk
        Offsets new in every frame: per row, per column.
    flicker_mk
        Slow noise of each pixel, close to 1/f.
    drift_k, drift_time_s
        Warm-up of the housing: the whole picture falls by this much with this time constant.
    drift_k_per_s
        Steady drift on top.
    drift_edge
        How much more the corners drift than the middle, as a share.
    shutter_s, shutter_period_s, shutter_freeze_s
        First shutter event, time between events (0: none), how long the picture stands still.
    shutter_step_mk, shutter_pattern_mk
        Offset left by an event: of the whole picture, of each pixel.
    repeat_share
        Chance that a frame is delivered a second time instead of the next.
    time_jitter_s
        Of the frame times.
    drop_share
        Chance that a frame never arrives and leaves a gap in time.
    bad_pixels, blinking_pixels
        Numbers of stuck pixels and of pixels that jump between two levels.
    blink_k
        Size of that jump.
    """

    name: str = "practice camera"
    width: int = 160
    height: int = 120
    frame_rate_hz: float = 9.0
    values: Values = Values.COUNTS
    scale: float = 0.04
    offset: float = -40.0
    radiance_curve: RadianceCurve | None = None
    blur_px: float = 0.7
    netd_mk: float = 50.0
    noise_blur_px: float = 0.0
    fixed_pattern_mk: float = 30.0
    column_pattern_mk: float = 15.0
    row_noise_mk: float = 5.0
    column_noise_mk: float = 5.0
    flicker_mk: float = 10.0
    drift_k: float = 0.3
    drift_time_s: float = 60.0
    drift_k_per_s: float = 0.0
    drift_edge: float = 0.0
    shutter_s: float = 0.0
    shutter_period_s: float = 0.0
    shutter_freeze_s: float = 0.4
    shutter_step_mk: float = 80.0
    shutter_pattern_mk: float = 10.0
    repeat_share: float = 0.0
    time_jitter_s: float = 0.0
    drop_share: float = 0.0
    bad_pixels: int = 0
    blinking_pixels: int = 0
    blink_k: float = 1.0

    def __post_init__(self) -> None:
        for name in ("width", "height", "frame_rate_hz", "scale", "drift_time_s"):
            check_positive(getattr(self, name), name=name)
        for name in (
            "blur_px", "netd_mk", "noise_blur_px", "fixed_pattern_mk", "column_pattern_mk",
            "row_noise_mk", "column_noise_mk", "flicker_mk", "shutter_s", "shutter_period_s",
            "shutter_freeze_s", "repeat_share", "time_jitter_s", "bad_pixels", "blinking_pixels",
            "drop_share", "drift_edge",
        ):  # fmt: skip
            check_at_least(getattr(self, name), bound=0.0, name=name)

    @property
    def shape(self) -> tuple[int, int]:
        """(rows, cols)."""
        return self.height, self.width

    @property
    def spread_px(self) -> float:
        """Standard deviation of lens and pixel area together (a 1 px box has variance 1/12)."""
        return float(np.sqrt(self.blur_px**2 + 1.0 / 12.0))

    def to_profile(self, *, bad_pixels: tuple[tuple[int, int], ...] = ()) -> CameraProfile:
        """Return the profile a calibration of this camera would give."""
        linear = self.values is Values.COUNTS and self.radiance_curve is None
        return CameraProfile(
            name=self.name,
            width=self.width,
            height=self.height,
            values=self.values,
            scale=self.scale if linear else None,
            offset=self.offset if linear else None,
            radiance_curve=self.radiance_curve if self.values is Values.COUNTS else None,
            netd_mk=self.netd_mk,
            frame_rate_hz=self.frame_rate_hz,
            psf_sigma_px=round(self.spread_px, 4),
            bad_pixels=bad_pixels,
        )


def build_radiance_curve(*, r: float = 200_000.0, offset: float = 2000.0) -> RadianceCurve:
    """Return the curve of a sensor linear in radiance, T_K = b / ln(r/(counts - offset) + f)."""
    return RadianceCurve(r=r, b=PLANCK_B_K, f=1.0, offset=offset)


@dataclass(slots=True)
class Delivered:
    """A frame as delivered, and how it came about."""

    counts: NDArray[Any]
    repeated: bool = False
    shutter: bool = False


@dataclass(slots=True)
class Sensor:
    """The camera behind the lens: adds its faults, frame after frame.

    Parameters
    ----------
    settings
        The camera.
    rng
        Source of all randomness.
    """

    settings: CameraSettings
    rng: np.random.Generator
    bad_xy: tuple[tuple[int, int], ...] = field(init=False)
    blinking_xy: tuple[tuple[int, int], ...] = field(init=False)
    _pattern: FloatArray = field(init=False)
    _flicker: FloatArray = field(init=False)
    _offset_k: float = field(init=False, default=0.0)
    _blink_on: FloatArray = field(init=False)
    _drift_shape: FloatArray = field(init=False)
    _last: NDArray[Any] | None = field(init=False, default=None)
    _last_t_s: float = field(init=False, default=0.0)
    _events: int = field(init=False, default=0)
    _range_c: tuple[float, float] | None = field(init=False, default=None)

    def __post_init__(self) -> None:
        s, rng = self.settings, self.rng
        rows, cols = s.shape
        self._pattern = 1e-3 * (
            s.fixed_pattern_mk * rng.standard_normal(s.shape)
            + s.column_pattern_mk * rng.standard_normal((1, cols))
        )
        y, x = np.ogrid[-1 : 1 : rows * 1j, -1 : 1 : cols * 1j]
        self._drift_shape = 1.0 + s.drift_edge * 0.5 * (x**2 + y**2)
        share = 1e-3 * s.flicker_mk / np.sqrt(len(_FLICKER_TIMES_S))
        self._flicker = share * rng.standard_normal((len(_FLICKER_TIMES_S), rows, cols))
        chosen = rng.choice(rows * cols, s.bad_pixels + s.blinking_pixels, replace=False)
        xy = tuple((int(n % cols), int(n // cols)) for n in chosen)
        self.bad_xy, self.blinking_xy = xy[: s.bad_pixels], xy[s.bad_pixels :]
        self._blink_on = np.zeros(s.blinking_pixels)

    def deliver(self, apparent_c: FloatArray, *, t_s: float) -> Delivered:
        """Return the frame for the true apparent temperature (rows, cols) in °C at `t_s`."""
        s = self.settings
        dt = max(0.0, t_s - self._last_t_s)
        self._last_t_s = t_s
        self._advance_flicker(dt)
        if self._in_shutter(t_s):
            if self._last is None:
                self._last = self._to_values(apparent_c)
            return Delivered(self._last.copy(), shutter=True)
        if self._last is not None and s.repeat_share and self.rng.random() < s.repeat_share:
            return Delivered(self._last.copy(), repeated=True)
        self._last = self._to_values(apparent_c + self._error_k(t_s, dt))
        return Delivered(self._last.copy())

    def _in_shutter(self, t_s: float) -> bool:
        s = self.settings
        if not s.shutter_period_s or t_s < s.shutter_s:
            return False
        events = int((t_s - s.shutter_s) // s.shutter_period_s) + 1
        while self._events < events:
            self._events += 1
            self._offset_k += 1e-3 * s.shutter_step_mk * self.rng.standard_normal()
            self._pattern = self._pattern + 1e-3 * s.shutter_pattern_mk * (
                self.rng.standard_normal(s.shape)
            )
        return (t_s - s.shutter_s) % s.shutter_period_s < s.shutter_freeze_s

    def _advance_flicker(self, dt_s: float) -> None:
        """Ornstein-Uhlenbeck processes, stepped exactly."""
        s = self.settings
        if not s.flicker_mk or not dt_s:
            return
        share = 1e-3 * s.flicker_mk / np.sqrt(len(_FLICKER_TIMES_S))
        for layer, time_s in zip(self._flicker, _FLICKER_TIMES_S, strict=True):
            keep = np.exp(-dt_s / time_s)
            layer *= keep
            layer += share * np.sqrt(1.0 - keep**2) * self.rng.standard_normal(s.shape)

    def _error_k(self, t_s: float, dt_s: float) -> FloatArray:
        s, rng = self.settings, self.rng
        rows, cols = s.shape
        white: FloatArray = rng.standard_normal(s.shape)
        if s.noise_blur_px:
            smooth = cv2.GaussianBlur(
                white, (0, 0), s.noise_blur_px, borderType=cv2.BORDER_REFLECT_101
            )
            white = np.asarray(smooth, dtype=np.float64) * _restored_sd(s.noise_blur_px)
        error = 1e-3 * s.netd_mk * white
        error += 1e-3 * s.row_noise_mk * rng.standard_normal((rows, 1))
        error += 1e-3 * s.column_noise_mk * rng.standard_normal((1, cols))
        error += self._pattern + self._flicker.sum(axis=0) + self._offset_k
        drift_k = s.drift_k_per_s * t_s - s.drift_k * (1.0 - np.exp(-t_s / s.drift_time_s))
        error += drift_k * self._drift_shape
        flips = rng.random(s.blinking_pixels) < 1.0 - np.exp(-dt_s / 2.0)  # every 2 s or so
        self._blink_on = np.where(flips, 1.0 - self._blink_on, self._blink_on)
        for (x, y), on in zip(self.blinking_xy, self._blink_on, strict=True):
            error[y, x] += s.blink_k * on
        for n, (x, y) in enumerate(self.bad_xy):
            error[y, x] = 30.0 if n % 2 else -30.0  # stuck far from any scene value
        out: FloatArray = error
        return out

    def _to_values(self, apparent_c: FloatArray) -> NDArray[Any]:
        s = self.settings
        if s.values is Values.CELSIUS:
            return apparent_c.astype(np.float32)
        if s.values is Values.COUNTS:
            if s.radiance_curve is not None:
                curve = s.radiance_curve
                counts = curve.offset + curve.r * to_radiance(apparent_c)
            else:
                counts = (apparent_c - s.offset) / s.scale
            whole: NDArray[Any] = np.clip(np.rint(counts), 0, 65535).astype(np.uint16)
            return whole
        if self._range_c is None:  # a display that holds its level and span
            low, high = np.percentile(apparent_c, (1, 99))
            middle, span = 0.5 * (low + high), max(4.0, 2.0 * float(high - low))
            self._range_c = (float(middle) - 0.5 * span, float(middle) + 0.5 * span)
        low, high = self._range_c
        grey = np.clip(np.rint(255.0 * (apparent_c - low) / (high - low)), 0, 255)
        if s.values is Values.GREY8:
            display: NDArray[Any] = grey.astype(np.uint8)
            return display
        bgr = cv2.applyColorMap(grey.astype(np.uint8), cv2.COLORMAP_INFERNO)
        return np.ascontiguousarray(bgr[..., ::-1])


def _restored_sd(blur_px: float) -> float:
    """Factor that gives blurred white noise its standard deviation back."""
    size = 2 * int(np.ceil(6 * blur_px)) + 1
    impulse = np.zeros((size, size))
    impulse[size // 2, size // 2] = 1.0
    kernel = cv2.GaussianBlur(impulse, (0, 0), blur_px)
    return float(1.0 / np.sqrt((kernel**2).sum()))
