"""Thermal waves in the heat network against their closed form (Carslaw & Jaeger, sec. 2.6)."""

from __future__ import annotations

import numpy as np
import pytest

from hotspot.practice.plate import HeatStepper, PlateSettings, build_network


def test_a_thermal_wave_decays_and_lags_over_its_diffusion_length() -> None:
    """FR-4 in plane, 0.81 W/(m K), 1850 kg/m³, 1100 J/(kg K) (Azar & Graebner, SEMI-THERM 1996).

    mu = sqrt(a / (pi f)) = 0.3559 mm at 1 Hz, 3.16228 times that at 0.1 Hz; an edge heated in a
    sine warms as exp(-x/mu) with a lag of x/mu.
    """
    plate = PlateSettings(
        width_mm=12.0, height_mm=0.2, cell_mm=0.1, conductivity_w_mk=0.81,
        heat_capacity_j_m3k=1850 * 1100, convection_top_w_m2k=0.0, convection_bottom_w_m2k=0.0,
        emissivity=0.0,
    )  # fmt: skip
    rows, columns = plate.shape
    network = build_network(plate)
    frequency_hz, step_s = 0.1, 0.05
    stepper = HeatStepper(network, step_s=step_s)
    u, power = np.zeros(network.size), np.zeros(network.size)
    heated = np.arange(rows) * columns
    total = np.zeros(columns, complex)
    steps, last = 2000, 1000  # the last five periods of ten
    for n in range(1, steps + 1):
        # The scheme holds the power over a step: taken at its middle.
        power[heated] = 1e-3 * np.sin(2 * np.pi * frequency_hz * (n - 0.5) * step_s)
        u = stepper.step(u, power)
        if n > steps - last:
            total += u[:columns] * np.exp(-2j * np.pi * frequency_hz * n * step_s)
    x_mm = (np.arange(columns) + 0.5) * 0.1
    use = (x_mm > 0.5) & (x_mm < 4.0)
    decay = -np.polyfit(x_mm[use], np.log(np.abs(total[use])), 1)[0]
    lag = -np.polyfit(x_mm[use], np.unwrap(np.angle(total[use])), 1)[0]
    mu_mm = 0.3559 * 3.16228
    assert 1 / decay == pytest.approx(mu_mm, rel=0.01)
    assert 1 / lag == pytest.approx(mu_mm, rel=0.01)
