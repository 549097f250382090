"""A practice scene in time: the loop's power goes in, the heat runs, the camera delivers."""

from __future__ import annotations

import threading
from dataclasses import replace

import cv2
import numpy as np

from hotspot.checks import FloatArray
from hotspot.practice.circuit import Circuit, CircuitState, SupplySetting, measure_circuit
from hotspot.practice.optics import View, build_view, to_radiance
from hotspot.practice.plate import HeatStepper, build_network
from hotspot.practice.scene import Scene
from hotspot.practice.sensor import Delivered, Sensor

# A chip capacitor's own time constant is about 0.1 s; half of that follows it closely.
STEP_S = 0.05


class PracticeBench:
    """A scene in time. Camera and supply act on it; time only runs forward.

    The heat runs in fixed steps. Energy put in between two steps is kept in a ledger, so a switch
    in the middle of a step loses nothing, and a frame between two steps is interpolated.

    Parameters
    ----------
    scene
        What is on the bench.
    rng
        Source of all randomness.
    """

    def __init__(self, scene: Scene, *, rng: np.random.Generator) -> None:
        self.scene = scene
        self.circuit: Circuit = scene.circuit
        self.setting = SupplySetting()
        self.t_s = 0.0
        self.sensor = Sensor(scene.camera, rng)
        self.lock = threading.RLock()
        covered = np.sum([b.coverage(scene.plate) for b in scene.bodies if b.seen], axis=0)
        self.network = build_network(
            scene.plate,
            tuple(body.to_lump(scene.plate) for body in scene.bodies),
            ambient_c=scene.ambient_c,
            copper=scene.copper,
            covered=np.broadcast_to(covered, scene.plate.shape),
        )
        self._stepper = HeatStepper(self.network, step_s=STEP_S)
        self.view: View = build_view(
            scene.plate,
            scene.bodies,
            thermal_from_board=scene.thermal_from_board,
            shape=scene.camera.shape,
            blur_px=scene.camera.blur_px,
        )
        self._trace_share = _trace_share(scene)
        self._steps = 0
        self._rise_k: FloatArray = np.full(self.network.size, float(scene.initial_rise_k))
        self._ledger_j: FloatArray = np.zeros(self.network.size)
        self._burning_s = 0.0
        self._trial: FloatArray | None = None
        self._air_rng = rng.spawn(1)[0]  # apart from the sensor's, which it must not shift
        self._air_k = 0.0
        self._state = measure_circuit(self.circuit, self.setting)
        self._power_w = self._node_power_w()

    @property
    def state(self) -> CircuitState:
        """Currents and powers now."""
        return self._state

    def set_supply(self, setting: SupplySetting) -> None:
        """Change the supply at the present time."""
        with self.lock:
            self.setting = setting
            self._switched()

    def set_circuit(self, circuit: Circuit) -> None:
        """Change the loop at the present time: the part is off, a clip is moved."""
        with self.lock:
            self.circuit = circuit
            self._switched()

    def advance_to(self, t_s: float) -> None:
        """Let time run to `t_s`; a time already passed changes nothing."""
        with self.lock:
            while t_s - self.t_s > 1e-9:
                step_end = (self._steps + 1) * STEP_S
                until = min(t_s, step_end)
                duration = until - self.t_s
                self._ledger_j = self._ledger_j + self._input_w() * duration
                self.t_s = until
                self._watch_burning(duration)
                if step_end - until < 1e-9:
                    self._rise_k = self._step_end(self._ledger_j)
                    self._ledger_j = np.zeros_like(self._ledger_j)
                    self._steps += 1
                    self._trial = None
                    self._stir_air()

    def rise_k(self) -> FloatArray:
        """Return the rise of every node (plate cells, then parts) at the present time."""
        with self.lock:
            begun = self._steps * STEP_S
            share = (self.t_s - begun) / STEP_S
            if share < 1e-9:
                return self._rise_k
            rest = self._input_w() * (STEP_S - (self.t_s - begun))
            ahead = self._step_end(self._ledger_j + rest)
            out: FloatArray = self._rise_k + share * (ahead - self._rise_k)
            return out

    def apparent_c(self) -> FloatArray:
        """Return the noise-free picture (rows, cols) in °C at the present time."""
        with self.lock:
            scene = self.scene
            image = self.view.to_image(
                self.rise_k(), ambient_c=scene.ambient_c, surroundings=self._surroundings()
            )
            dx = sum(b.dx_px for b in scene.bumps if self.t_s >= b.t_s)
            dy = sum(b.dy_px for b in scene.bumps if self.t_s >= b.t_s)
            if dx or dy:
                shift = np.array([[1.0, 0.0, dx], [0.0, 1.0, dy]])
                rows, cols = image.shape
                image = cv2.warpAffine(
                    image, shift, (cols, rows), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT
                ).astype(np.float64)
            return image

    def deliver(self, t_s: float) -> Delivered:
        """Let time run to `t_s` and return the frame the camera delivers then."""
        with self.lock:
            self.advance_to(t_s)
            return self.sensor.deliver(self.apparent_c(), t_s=self.t_s)

    def _input_w(self) -> FloatArray:
        """Power into each node: from the loop, and from air that is warmer than the room."""
        if not self._air_k:
            return self._power_w
        out: FloatArray = self._power_w + self._air_k * self.network.loss_w_k
        return out

    def _stir_air(self) -> None:
        draught = self.scene.draught
        if draught is not None:
            keep = np.exp(-STEP_S / draught.time_s)
            fresh = np.sqrt(1.0 - keep**2) * self._air_rng.standard_normal()
            self._air_k = float(keep * self._air_k + draught.sigma_k * fresh)

    def _step_end(self, energy_j: FloatArray) -> FloatArray:
        """Rise at the end of the present step; kept until the power changes or the step ends."""
        if self._trial is None:
            if self._rise_k.any() or energy_j.any():
                self._trial = self._stepper.step(self._rise_k, energy_j / STEP_S)
            else:
                self._trial = self._rise_k  # a cold board without power stays cold
        return self._trial

    def _switched(self) -> None:
        self._state = measure_circuit(self.circuit, self.setting)
        self._power_w = self._node_power_w()
        self._trial = None

    def _node_power_w(self) -> FloatArray:
        power = np.zeros(self.network.size)
        state, circuit, scene = self._state, self.circuit, self.scene
        cells = len(self._trace_share)
        power[:cells] = state.trace_w * self._trace_share
        heated = [*state.series_w]
        if circuit.short_ref:
            heated.append((circuit.short_ref, state.short_w))
        if circuit.load_ref:
            heated.append((circuit.load_ref, state.load_w))
        for ref, watts in heated:
            power[cells + scene.body_index(ref)] += watts
        return power

    def _watch_burning(self, duration_s: float) -> None:
        limit = self.circuit.burn_open_w
        if limit is None:
            return
        self._burning_s = self._burning_s + duration_s if self._state.short_w >= limit else 0.0
        if self._burning_s > 0 and self._burning_s >= self.circuit.burn_open_s:
            self.set_circuit(replace(self.circuit, short_ohm=float("inf"), burn_open_w=None))

    def _surroundings(self) -> FloatArray:
        scene = self.scene
        rows, cols = scene.camera.shape
        base = to_radiance(scene.surroundings_c)
        field: FloatArray = np.asarray(base)
        for hand in scene.hands:
            if not hand.from_s <= self.t_s < hand.to_s:
                continue
            length = hand.to_s - hand.from_s
            share = (self.t_s - hand.from_s) / length if np.isfinite(length) else 0.0
            cx, cy = (a + share * (b - a) for a, b in zip(hand.start_px, hand.end_px, strict=True))
            y, x = np.mgrid[0:rows, 0:cols]
            blob = np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / (2 * hand.size_px**2))
            field = field + blob * (to_radiance(hand.temperature_c) - base)
        return field


def _trace_share(scene: Scene) -> FloatArray:
    """Share of the trace's power in each cell, by length; zeros without a trace."""
    rows, columns = scene.plate.shape
    share = np.zeros(rows * columns)
    dx, dy = scene.plate.cell_size_mm
    for a, b in zip(scene.trace_mm[:-1], scene.trace_mm[1:], strict=True):
        length = float(np.hypot(*(b - a)))
        n = max(1, int(np.ceil(length / (0.1 * min(dx, dy)))))  # ten points a cell
        points = a + (np.arange(n)[:, None] + 0.5) / n * (b - a) - scene.plate.origin_mm
        i = np.clip((points[:, 0] / dx).astype(int), 0, columns - 1)
        j = np.clip((points[:, 1] / dy).astype(int), 0, rows - 1)
        np.add.at(share, j * columns + i, length / n)
    total = share.sum()
    return share / total if total > 0 else share
