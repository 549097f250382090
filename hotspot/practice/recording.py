"""Whole recordings of a practice scene, with the truth beside them."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hotspot.checks import FloatArray
from hotspot.frame import ArraySource, Recording, SwitchLog
from hotspot.practice.bench import PracticeBench
from hotspot.practice.circuit import SupplySetting
from hotspot.practice.scene import Scene, map_points


@dataclass(frozen=True, slots=True, eq=False)
class Switching:
    """What the technician does with the output.

    Attributes
    ----------
    edges_s
        Times at which the output changes; the first switches on.
    volts, amps
        Set voltage and current limit.
    logged
        Whether the switching is written down in the recording.
    """

    edges_s: tuple[float, ...] = ()
    volts: float = 1.0
    amps: float = 0.5
    logged: bool = True

    def __post_init__(self) -> None:
        if any(b <= a for a, b in zip(self.edges_s, self.edges_s[1:], strict=False)):
            raise ValueError(f"edges_s must increase, got {self.edges_s!r}")
        SupplySetting(volts=self.volts, amps=self.amps)


@dataclass(frozen=True, slots=True, eq=False)
class Truth:
    """What a recording holds, known because it was made.

    Attributes
    ----------
    fault
        Reference of the shorted part, or None.
    fault_xy_mm, fault_xy_px
        Its centre on the board and in the thermal picture, or None.
    power_w
        Power with the output on, as (name, W): the part's reference, "trace", "leads".
    amps, volts
        At the supply with the output on.
    edges_s
        Times at which the output changed.
    rise_k
        (rows, cols) noise-free rise of apparent temperature from the first frame to the end of
        the last time the output was on (of the recording, when it never was).
    thermal_from_board
        (3, 3) homography, board mm to thermal px.
    repeated, shutter
        Indices of frames delivered twice, and of frames behind the shutter.
    bad_pixels, blinking_pixels
        (x, y) of each.
    burnt_open
        Whether the short burnt open.
    """

    fault: str | None
    fault_xy_mm: tuple[float, float] | None
    fault_xy_px: tuple[float, float] | None
    power_w: tuple[tuple[str, float], ...]
    amps: float
    volts: float
    edges_s: tuple[float, ...]
    rise_k: FloatArray
    thermal_from_board: FloatArray
    repeated: tuple[int, ...] = ()
    shutter: tuple[int, ...] = ()
    bad_pixels: tuple[tuple[int, int], ...] = ()
    blinking_pixels: tuple[tuple[int, int], ...] = ()
    burnt_open: bool = False

    def to_dict(self) -> dict[str, Any]:
        """Return the truth as plain data for a JSON file (without the picture)."""
        return {
            "fault": self.fault,
            "fault_xy_mm": _rounded(self.fault_xy_mm),
            "fault_xy_px": _rounded(self.fault_xy_px),
            "peak_rise_k": round(float(self.rise_k.max()), 5),
            "power_w": {name: round(watts, 7) for name, watts in self.power_w},
            "amps": round(self.amps, 6),
            "volts": round(self.volts, 6),
            "edges_s": [round(t, 4) for t in self.edges_s],
            "thermal_from_board": [
                [round(float(v), 9) for v in row] for row in self.thermal_from_board
            ],
            "repeated": list(self.repeated),
            "shutter": list(self.shutter),
            "bad_pixels": [list(xy) for xy in self.bad_pixels],
            "blinking_pixels": [list(xy) for xy in self.blinking_pixels],
            "burnt_open": self.burnt_open,
        }


@dataclass(frozen=True, slots=True, eq=False)
class SimulatedRecording:
    """A recording and its truth."""

    recording: Recording
    truth: Truth


@dataclass(slots=True)
class _Log:
    """Switching as a supply's log shows it."""

    rows: list[tuple[float, bool, float, float]] = field(default_factory=list)

    def to_switch_log(self) -> SwitchLog:
        t, on, volts, amps = zip(*self.rows, strict=True)
        return SwitchLog(
            t_s=np.array(t),
            on=np.array(on, dtype=bool),
            volts=np.array(volts),
            amps=np.array(amps),
        )


def simulate_recording(
    scene: Scene,
    switching: Switching,
    *,
    duration_s: float = 30.0,
    rng: np.random.Generator,
    name: str = "practice",
    landmarks: int = 6,
    click_px: float = 0.3,
    known_bad: bool = False,
) -> SimulatedRecording:
    """Return a recording of the scene while the output is switched.

    Parameters
    ----------
    scene, switching
        What is on the bench and what is done.
    duration_s
        Length of the recording.
    rng
        Source of all randomness.
    name
        Of the recording.
    landmarks
        Number of thermal-photo point pairs; none without photo landmarks on the board.
    click_px
        Standard deviation of a hand-clicked thermal point.
    known_bad
        Whether the camera's profile names the stuck pixels.
    """
    camera = scene.camera
    noise_rng, time_rng, click_rng = rng.spawn(3)
    bench = PracticeBench(scene, rng=noise_rng)
    count = max(2, round(duration_s * camera.frame_rate_hz))
    t_s = np.arange(count) / camera.frame_rate_hz
    if camera.time_jitter_s:
        limit = 0.45 / camera.frame_rate_hz  # keeps the order of the frames
        jitter = camera.time_jitter_s * time_rng.standard_normal(count - 1)
        t_s[1:] += np.clip(jitter, -limit, limit)
    if camera.drop_share:
        arrived = time_rng.random(count) >= camera.drop_share
        arrived[:2] = True
        t_s = t_s[arrived]
        count = len(t_s)

    cold = bench.apparent_c()
    rise = np.zeros(camera.shape)
    frames: NDArray[Any] | None = None
    repeated: list[int] = []
    shutter: list[int] = []
    log = _Log([(0.0, False, 0.0, 0.0)])
    powers: tuple[tuple[str, float], ...] = ()
    amps = volts = 0.0
    edges = [t for t in switching.edges_s if t <= t_s[-1]]
    waiting = list(edges)
    on = False
    for index, t in enumerate(t_s):
        while waiting and waiting[0] <= t:
            edge = waiting.pop(0)
            bench.advance_to(edge)
            if on:
                rise = bench.apparent_c() - cold
            on = not on
            bench.set_supply(SupplySetting(switching.volts, switching.amps, on))
            log.rows.append((edge, on, bench.state.volts, bench.state.amps))
            if on and not powers:
                powers, amps, volts = _powers(bench), bench.state.amps, bench.state.volts
        delivered = bench.deliver(float(t))
        if frames is None:
            frames = np.empty((count, *delivered.counts.shape), dtype=delivered.counts.dtype)
        frames[index] = delivered.counts
        if delivered.repeated:
            repeated.append(index)
        if delivered.shutter:
            shutter.append(index)
    if on or not edges:
        rise = bench.apparent_c() - cold
    if frames is None:
        raise ValueError(f"duration_s must hold at least one frame, got {duration_s!r}")
    profile = camera.to_profile(bad_pixels=bench.sensor.bad_xy if known_bad else ())
    recording = Recording(
        name=name,
        profile=profile,
        t_s=t_s,
        source=ArraySource(frames),
        injection=log.to_switch_log() if switching.logged else None,
        landmarks=_click_landmarks(scene, count=landmarks, sigma_px=click_px, rng=click_rng),
        rail=scene.rail,
        ambient_c=scene.ambient_c,
    )
    short = scene.circuit.short_ref
    place = scene.bodies[scene.body_index(short)] if short else None
    where_mm = (place.x_mm, place.y_mm) if place else None
    where_px = scene.to_thermal_px(np.array(where_mm))[0] if where_mm else None
    return SimulatedRecording(
        recording=recording,
        truth=Truth(
            fault=short,
            fault_xy_mm=where_mm,
            fault_xy_px=(float(where_px[0]), float(where_px[1])) if where_px is not None else None,
            power_w=powers,
            amps=amps,
            volts=volts,
            edges_s=tuple(edges),
            rise_k=rise,
            thermal_from_board=scene.thermal_from_board,
            repeated=tuple(repeated),
            shutter=tuple(shutter),
            bad_pixels=bench.sensor.bad_xy,
            blinking_pixels=bench.sensor.blinking_xy,
            burnt_open=bench.circuit.short_ohm != scene.circuit.short_ohm,
        ),
    )


def build_hand_switching(
    *,
    first_s: float,
    on_s: float,
    off_s: float,
    pulses: int,
    sway: float,
    volts: float,
    amps: float,
    rng: np.random.Generator,
) -> Switching:
    """Return a pulse train as a hand gives it: no log, each time off by a share `sway` (1 sd)."""
    edges = [first_s]
    for _ in range(pulses):
        for wanted in (on_s, off_s):
            edges.append(edges[-1] + wanted * max(0.3, 1.0 + sway * rng.standard_normal()))
    return Switching(edges_s=tuple(edges[:-1]), volts=volts, amps=amps, logged=False)


def _powers(bench: PracticeBench) -> tuple[tuple[str, float], ...]:
    state, circuit = bench.state, bench.circuit
    named = [*state.series_w, ("trace", state.trace_w), ("leads", state.leads_w)]
    if circuit.short_ref:
        named.insert(0, (circuit.short_ref, state.short_w))
    return tuple((name, float(watts)) for name, watts in named)


def _click_landmarks(
    scene: Scene, *, count: int, sigma_px: float, rng: np.random.Generator
) -> FloatArray:
    """Parts far from one another, as a person would pick them, clicked with a small error."""
    if scene.photo_from_board is None or count < 1 or not scene.bodies:
        return np.zeros((0, 4))
    places = np.array([[b.x_mm, b.y_mm] for b in scene.bodies if b.seen])
    chosen = [int(np.argmin(places.sum(axis=1)))]
    while len(chosen) < min(count, len(places)):
        apart = np.linalg.norm(places[:, None] - places[chosen][None], axis=-1).min(axis=1)
        chosen.append(int(np.argmax(apart)))
    picked = places[chosen]
    thermal = scene.to_thermal_px(picked)
    thermal = thermal + sigma_px * rng.standard_normal(thermal.shape)
    photo = map_points(scene.photo_from_board, picked)
    rows: FloatArray = np.c_[thermal, photo]
    out: FloatArray = rows.round(2)
    return out


def _rounded(xy: tuple[float, float] | None) -> list[float] | None:
    return None if xy is None else [round(v, 4) for v in xy]
