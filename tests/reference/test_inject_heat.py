"""The thermal prediction against closed forms, tables and an independent radial solver."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import sparse
from scipy.integrate import quad
from scipy.sparse.linalg import splu

from hotspot.inject.heating import SOURCE_LOG, Heating, heated_rise_k
from hotspot.inject.packages import PACKAGES
from hotspot.inject.prediction import (
    Plate,
    Scenery,
    Viewing,
    apparent_rise_k,
    apparent_steady_k,
    contact_k_w,
    part_rise_k,
    part_steady_k,
    plate_rise_k,
    plate_steady_k,
    pulsed_amplitude_k,
    well_function,
)
from hotspot.inject.visibility import predict_visibility


def base_plate() -> Plate:
    """k = 17.1 W/(m K), ρc = 2.0 MJ/(m³ K), 1.6 mm, h = 20 W/(m² K): 17.1·t = 385 x + 0.3 (t-x)."""
    copper_um = (17.1 - 0.30) * 1.6e-3 / (385.0 - 0.30) * 1e6
    plate = Plate(thickness_mm=1.6, copper_um=copper_um, film_w_m2k=20.0)
    assert plate.conductance_w_k == pytest.approx(17.1 * 1.6e-3, rel=1e-12)
    return plate


# Copper and laminate in parallel (Incropera ch. 3): 1.6 mm with 70, 140, 35 µm of copper.
@pytest.mark.parametrize(("um", "k"), [(70, 17.13063), (140, 33.96125), (35, 8.715313)])
def test_layered_conductivity(um: float, k: float) -> None:
    plate = Plate(thickness_mm=1.6, copper_um=um)
    assert plate.conductance_w_k / 1.6e-3 == pytest.approx(k, rel=2e-5)


# Carslaw & Jaeger sec. 10 (also the annular fin of Incropera): P/(2πkt) K0(mr), P = 0.5 W.
@pytest.mark.parametrize(
    ("r_mm", "kelvin"),
    [(1, 10.84112), (2, 8.831139), (5, 6.198974), (20, 2.502143), (50, 0.7552553)],
)  # fmt: skip
def test_steady_plate_is_k0(r_mm: float, kelvin: float) -> None:
    assert plate_steady_k(base_plate(), r_mm, power_w=0.5) == pytest.approx(kelvin, rel=1e-6)


# Switch-on with loss: the leaky-aquifer well function (Hantush & Jacob 1955) at r = 2 mm.
@pytest.mark.parametrize(
    ("t_s", "kelvin"),
    [(1, 2.440288), (5, 4.615048), (30, 6.979088), (160, 8.512254), (1000, 8.830745)],
)
def test_plate_switch_on(t_s: float, kelvin: float) -> None:
    found = plate_rise_k(base_plate(), 2.0, t_s=np.array([t_s]), power_w=0.5)
    assert found[0] == pytest.approx(kelvin, rel=1e-6)


@pytest.mark.parametrize("beta", [0.0, 0.01, 0.5, 2.0])
def test_well_function_against_adaptive_quadrature(beta: float) -> None:
    u = np.geomspace(1e-6, 5.0, 7)

    def slope(s: float) -> float:
        return math.exp(-math.exp(s) - beta**2 / 4 * math.exp(-s))

    wanted = [quad(slope, math.log(x), 5, limit=200)[0] for x in u]
    assert well_function(u, beta) == pytest.approx(wanted, rel=1e-5)


def radial_rise_k(scenery: Scenery, *, times_s: np.ndarray, drive) -> np.ndarray:
    """Solve plate and body by finite volumes in r and implicit steps; nothing shared but the input.

    The heat enters over the disc under the part; returns the body's rise at `times_s`.
    """
    plate, body = scenery.plate, scenery.body
    edges = np.concatenate(
        (np.linspace(0.0, body.radius_mm, 24), np.geomspace(body.radius_mm, 200.0, 220)[1:])
    )
    edges *= 1e-3
    area = math.pi * np.diff(edges**2)
    middle = 0.5 * (edges[1:] + edges[:-1])
    between = 2 * math.pi * edges[1:-1] * plate.conductance_w_k / np.diff(middle)
    n = len(area)
    matrix = sparse.lil_matrix((n + 1, n + 1))
    for i, g in enumerate(between):
        matrix[i, i] -= g
        matrix[i + 1, i + 1] -= g
        matrix[i, i + 1] += g
        matrix[i + 1, i] += g
    for i in range(n):
        matrix[i, i] -= plate.film_w_m2k * area[i]
    under = area * (middle < body.radius_mm * 1e-3)
    under = under / under.sum() / contact_k_w(body)
    for i in np.flatnonzero(under):
        matrix[i, i] -= under[i]
        matrix[i, n] += under[i]
        matrix[n, i] += under[i]
        matrix[n, n] -= under[i]
    heat = np.append(plate.heat_j_m2k * area, body.heat_capacity_j_k)
    state, now, out = np.zeros(n + 1), 0.0, []
    step = float(np.diff(times_s)[0])
    solver = splu(sparse.csc_matrix(sparse.diags(heat / step) - matrix))
    for t in times_s:
        power = np.zeros(n + 1)
        power[n] = drive(now + step / 2)
        state = solver.solve(heat / step * state + power)
        now = t
        out.append(state[n])
    return np.array(out)


@pytest.mark.parametrize("name", ["0201", "0402", "0805"])
def test_part_rise_against_radial_solver(name: str) -> None:
    scenery = Scenery(package=PACKAGES[name])
    times = np.arange(1, 1001) * 0.02
    solved = radial_rise_k(scenery, times_s=times, drive=lambda t: 1.0)
    found = part_rise_k(scenery, t_s=times)
    # The closed form lets the heat into the board at once, the solver through the body's own time
    # constant (0.02 to 0.1 s): a few per cent at half a second, gone at five.
    assert found[times >= 0.5] == pytest.approx(solved[times >= 0.5], rel=0.08)
    assert found[times >= 5.0] == pytest.approx(solved[times >= 5.0], rel=0.02)


def test_pulse_amplitude_against_radial_solver() -> None:
    # Blur and emissivity off: what the brightest pixel shows is the part itself.
    view = Viewing(mm_per_px=0.01, psf_sigma_px=0.0, emissivity=1.0)
    scenery = Scenery(package=PACKAGES["0402"], view=view)
    period = 4.0
    times = np.arange(1, 4001) * 0.02
    solved = radial_rise_k(scenery, times_s=times, drive=lambda t: float(t % period < period / 2))
    last = times > 60.0
    wave = np.exp(-2j * math.pi * times[last] / period)
    trend = np.polyval(np.polyfit(times[last], solved[last], 1), times[last])
    amplitude = abs(2.0 * np.mean((solved[last] - trend) * wave))
    assert pulsed_amplitude_k(scenery, period_s=period) == pytest.approx(amplitude, rel=0.05)


TRAIN = tuple((t, 1.0 if i % 2 == 0 else 0.0) for i, t in enumerate(np.arange(0.0, 55.0, 5.0)))
LADDER = ((0.0, 0.01), (10.0, 0.0625), (20.0, 0.25), (30.0, 1.0))


@pytest.mark.parametrize(("levels", "read_s"), [(TRAIN, 55.0), (LADDER, 40.0)])
def test_superposed_pulses_and_steps_against_radial_solver(levels, read_s: float) -> None:
    """The whole train: the solver knows nothing of superposition."""
    view = Viewing(mm_per_px=0.01, psf_sigma_px=0.0, emissivity=1.0)
    scenery = Scenery(package=PACKAGES["0402"], view=view)
    starts, powers = np.array(levels).T

    def drive(t: float) -> float:
        return float(powers[np.searchsorted(starts, t, side="right") - 1])

    times = np.arange(1, round(read_s / 0.02) + 1) * 0.02
    solved = radial_rise_k(scenery, times_s=times, drive=drive)[-1]
    changes = tuple(zip(read_s - starts, np.diff(powers, prepend=0.0), strict=True))
    found = heated_rise_k(scenery, Heating(read_s, 0.1, 1.0, SOURCE_LOG, changes))
    assert found == pytest.approx(solved, rel=0.02)
    if len(levels) > 5:  # what one pulse alone would say is clearly less
        alone = heated_rise_k(scenery, Heating(5.0, 0.1, 1.0, SOURCE_LOG))
        assert alone < 0.97 * solved


def test_steady_state_is_the_end_of_the_rise() -> None:
    scenery = Scenery(package=PACKAGES["0603"])
    late = np.array([5000.0])
    assert part_rise_k(scenery, t_s=late)[0] == pytest.approx(part_steady_k(scenery), rel=1e-4)
    seen = apparent_rise_k(scenery, t_s=late)[0]
    assert seen == pytest.approx(apparent_steady_k(scenery), rel=1e-4)
    assert seen < part_steady_k(scenery)


def test_blur_hides_a_small_part() -> None:
    part = PACKAGES["01005"]
    near, far = (
        apparent_steady_k(Scenery(package=part, view=Viewing(mm_per_px=size)))
        for size in (0.05, 0.6)
    )
    assert far < 0.6 * near


# White noise: difference of a mean of n1 and a mean of n2 frames, NETD √(1/n1 + 1/n2) (statistics).
def test_visible_power_is_that_of_the_averaging_law() -> None:
    view = Viewing(netd_mk=500.0, frame_rate_hz=10.0, cold_frames=100)  # drift is small beside it
    scenery = Scenery(package=PACKAGES["0402"], view=view)
    needed = predict_visibility(scenery, power_w=1.0).needed_w
    mean_k = float(np.mean(apparent_rise_k(scenery, t_s=np.linspace(0.05, 10.0, 200))))
    five_sigma_k = 5 * math.hypot(0.5 * math.sqrt(1 / 100 + 1 / 100), 0.005)
    assert needed == pytest.approx(five_sigma_k / mean_k, rel=0.03)


def test_visible_sooner_with_more_power_and_less_noise() -> None:
    def seen(power_w: float, netd_mk: float) -> float:
        view = Viewing(netd_mk=netd_mk)
        found = predict_visibility(Scenery(view=view), power_w=power_w).averaged_s
        return math.inf if found is None else found

    times = [seen(power, 50.0) for power in (1e-4, 1e-3, 2e-3, 5e-3, 0.05)]
    assert times == sorted(times, reverse=True)
    assert times[0] == math.inf
    assert seen(2e-3, 30.0) <= seen(2e-3, 120.0)


def test_pulses_find_what_a_step_cannot() -> None:
    view = Viewing(netd_mk=60.0)
    found = predict_visibility(Scenery(view=view), power_w=3e-4)
    assert found.one_frame_s is None
    assert found.averaged_s is None
    assert found.pulsed_s is not None
    # The fundamental's standard error with known phase is NETD √(2/n) (Breitenstein et al.,
    # Lock-in Thermography, 2nd ed., noise section; worked from statistics).
    n = found.pulsed_s * view.frame_rate_hz
    amplitude = pulsed_amplitude_k(Scenery(view=view), period_s=10.0, power_w=3e-4)
    assert amplitude >= 5 * 0.060 * math.sqrt(2 / n)
