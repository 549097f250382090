"""All pictures that a case is made of, and the power that makes it as hard as wanted."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tests.benchmarks.exam import kinds as k
from tests.benchmarks.exam import nuisances, oracle
from tests.benchmarks.exam.camera import Lens, View, draw_raster, surface
from tests.benchmarks.exam.noise import SensorNoise, temporal_covariance
from tests.benchmarks.exam.physics import Modes, Network, solve_modes
from tests.benchmarks.exam.plan import Plan, between
from tests.benchmarks.exam.scene import Layout
from tests.benchmarks.exam.timing import Clock, Drive

HOTTEST_K = 45.0  # above room: a technician would have stopped


class Scene:
    """All pictures that a case is made of, before and after a knock."""

    def __init__(self, layout: Layout, network: Network, plan: Plan, views: list[View],
                 rng: np.random.Generator, *, cold: bool) -> None:  # fmt: skip
        raster = draw_raster(layout, network, rng=rng)
        self.ambient_c = between(rng, (18, 29))
        board_c = self.ambient_c + between(rng, (0.3, 2.5))
        mirror_c = self.ambient_c - between(rng, (0.0, 2.5))
        self.views = views
        self.modes: list[Modes] = [] if cold else solve_modes(network, plan.loads)
        self.n_faults = len(plan.faults)
        self.shares = plan.shares
        self.base, self.glow, self.pictures = [], [], []
        e = raster.emissivity
        mat = 0.93
        for view in views:
            lens = Lens(view)
            around = mat * self.ambient_c + (1 - mat) * mirror_c
            base = lens.look(e * board_c + (1 - e) * mirror_c, outside=around)
            self.base.append(base)
            self.glow.append(lens.look(e, outside=mat))
            shown = self.modes if view is views[0] else self.modes[: self.n_faults + 1]
            self.pictures.append(
                [
                    np.stack([lens.look(e * surface(raster, network, f)) for f in m.fields])
                    for m in shown
                ]
            )
        self.peak_k = 0.0

    def signal(self, index: int, drive: Drive, t_s: NDArray) -> oracle.Signal:
        """Return the signal of one load at 1 W of fault power, shares counted in."""
        scale = self.shares[index] if index < self.n_faults else 1.0
        courses = self.modes[index].response(t_s, list(drive.edges))
        return oracle.Signal(courses * scale, self.pictures[0][index])

    def frames(
        self, drive: Drive, clock: Clock, after: NDArray, power_w: float
    ) -> NDArray[np.float32]:
        """Return noise-free frames."""
        out = np.empty((len(after), *self.base[0].shape), dtype=np.float32)
        for which in range(len(self.views)):
            at = np.flatnonzero(after == bool(which))
            if not len(at):
                continue
            rise = np.zeros((len(at), self.base[0].size), dtype=np.float32)
            for index in range(self.n_faults + 1 if self.modes else 0):
                s = self.signal(index, drive, clock.true_s[at])
                flat = self.pictures[which][index].reshape(len(s.pictures), -1)
                rise += (power_w * s.courses).astype(np.float32) @ flat
            out[at] = self.base[which] + rise.reshape(len(at), *self.base[0].shape)
        return out


def noise_model(
    kind: k.Kind, scene: Scene, *, clock: Clock, noise: SensorNoise, segment: NDArray,
    used: NDArray, level: nuisances.Level,
) -> oracle.NoiseModel:  # fmt: skip
    """Return what the oracle knows of the noise of a case, for the frames that carry news."""
    rows, cols = scene.base[0].shape
    y, x = np.meshgrid(np.linspace(-1, 1, rows), np.linspace(-1, 1, cols), indexing="ij")
    low = [np.ones_like(x), x, y, x * x, x * y, y * y]
    glow = scene.glow[0].astype(float)
    patterns = [*low, glow, scene.base[0] - scene.base[0].mean()]
    if level.hand_k > 0 or level.draught_k > 0:
        patterns += [glow * p for p in low[1:]]
    step = 0.03 if kind.display else 0.02  # typical; the drawn one is met later
    return oracle.NoiseModel(
        temporal_covariance(clock.slot[used], n_slots=clock.n_slots, noise=noise, step_k=step),
        noise.row_k, noise.column_k, segment[used], np.stack(patterns),
        np.ones((rows, cols), bool),
    )  # fmt: skip


def choose_power(
    kind: k.Kind, scene: Scene, drive: Drive, *, clock: Clock, used: NDArray,
    model: oracle.NoiseModel, rng: np.random.Generator,
) -> tuple[oracle.Bound, float]:  # fmt: skip
    """Return the bound, and the power in the short for which it was computed."""
    t = clock.true_s[used]
    n = scene.n_faults
    signals = [scene.signal(i, drive, t) for i in range(len(scene.modes))]
    if scene.base[0].size > 100_000:
        signals = [oracle.Signal(s.courses, s.pictures.astype(np.float32)) for s in signals]
    faults, path, others = signals[:n], signals[n], signals[n + 1 :]
    for s in faults:
        late = s.courses[np.abs(s.courses).sum(1).argmax()]
        scene.peak_k = max(scene.peak_k, float(np.tensordot(late, s.pictures, 1).max()))
    matrix = oracle.build_products(faults=faults, others=others, path=path, noise=model)
    unit = oracle.bound(matrix, n_faults=n, rng=np.random.default_rng(0), power=1.0)
    power = between(rng, kind.power_w, log=True)
    low, high = kind.snr or (8.0, np.inf)
    snr = power * unit.snr
    if not low <= snr <= high:
        aim = between(rng, (low, min(high, 3 * low) if kind.snr is None else high), log=True)
        power = aim / unit.snr
    power = float(np.clip(power, 2e-5, min(1.0, HOTTEST_K / max(scene.peak_k, 1e-9))))
    return oracle.bound(matrix, n_faults=n, rng=np.random.default_rng(0), power=power), power
