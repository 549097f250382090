"""The heat network against closed forms and a finite-element library.

Base case of the closed forms: k = 17.1 W/mK, rho c = 2.0e6 J/m³K, 1.6 mm plate. Quarter plates with
the source in the corner use that insulated edges are mirrors.
"""

import numpy as np
import pytest
from scipy import integrate, interpolate, special

from hotspot.practice.plate import HeatStepper, PlateSettings, build_network

K, RHO_C, T_M = 17.1, 2.0e6, 1.6e-3


def plate(width, height, *, cell, film):
    return PlateSettings(
        width_mm=width,
        height_mm=height,
        cell_mm=cell,
        convection_top_w_m2k=film,
        convection_bottom_w_m2k=0.0,
        emissivity=0.0,
    )


def corner_rise(u, settings, r_mm):
    """Rise at distance r from the corner, along the axis next to the edge row."""
    rows, columns = settings.shape
    dx, _ = settings.cell_size_mm
    x = (np.arange(columns) + 0.5) * dx
    row = u[: rows * columns].reshape(rows, columns)[0]
    return interpolate.CubicSpline(np.hypot(x, 0.5 * dx), row)(max(r_mm, dx / np.sqrt(2)))


def test_instantaneous_source_spreads_as_carslaw_and_jaeger_say():
    # Carslaw & Jaeger, Conduction of Heat in Solids, 2e, sec. 10.3: T = Q/(4 pi k t tau) exp(..).
    # Values for Q = 1 J: r = 0, 5, 10 mm at 1 s.
    s = plate(50.0, 44.0, cell=0.5, film=0.0)
    network = build_network(s)
    u = np.zeros(network.size)
    u[0] = 0.25 / network.capacity_j_k[0]  # a quarter of 1 J in the corner
    stepper = HeatStepper(network, step_s=0.01)
    at_5_mm = []
    for _ in range(100):
        u = stepper.step(u, np.zeros(network.size))
        at_5_mm.append(corner_rise(u, s, 5.0))
    # Our source is a 1 mm square: its variance 1/12 mm² on 17.1 mm² alone gives +0.9 % at 10 mm.
    for r, expected in ((0.0, 2.908533), (5.0, 1.400256), (10.0, 0.1562454)):
        assert corner_rise(u, s, r) == pytest.approx(expected, rel=0.012)
    assert (u * network.capacity_j_k).sum() == pytest.approx(0.25, rel=1e-9)  # energy balance
    # At 5 mm the peak Q/(pi e rho c t r²) = 1.463746 K comes at r²/4a = 0.730994 s.
    assert max(at_5_mm) == pytest.approx(1.463746, rel=0.012)
    late = np.arange(50, 100)
    parabola = np.polyfit(0.01 * (late + 1), np.array(at_5_mm)[late], 4)
    fine = np.linspace(0.55, 0.95, 401)
    assert fine[np.polyval(parabola, fine).argmax()] == pytest.approx(0.730994, rel=0.02)


def test_steady_point_source_in_a_convecting_plate_is_bessel_k0():
    # Carslaw & Jaeger sec. 10; Incropera, annular fins. P = 0.5 W, h = 20 W/m²K, 1/m = 36.99 mm.
    s = plate(160.0, 150.0, cell=1.0, film=20.0)
    network = build_network(s)
    power = np.zeros(network.size)
    power[0] = 0.5 / 4
    u = network.steady_rise(power)
    for r, expected in ((5.0, 6.198974), (10.0, 4.271007), (20.0, 2.502143), (50.0, 0.7552553)):
        assert corner_rise(u, s, r) == pytest.approx(expected, rel=0.01)
    # energy balance: in the steady state all power leaves through the faces
    assert (network.loss_w_k * u).sum() == pytest.approx(0.125, rel=1e-9)


def disc_rise(r_m, *, power, r0, h):
    m = np.sqrt(h / (K * T_M))
    edge = m * r0 * special.k1(m * r0)
    return power * special.k0(m * r_m) / (2 * np.pi * K * T_M * edge)


def test_steady_disc_source_in_a_convecting_plate():
    # Finite disc, r0 = 1 mm: theta = P K0(mr)/(2 pi k t m r0 K1(m r0)); h = 20 gives 6.208566 K at
    # 5 mm (scipy and axisymmetric finite elements agree). Outside a disc heated evenly over its
    # area the field is that of its rim but for the loss inside it, 0.02 % here.
    assert disc_rise(5e-3, power=0.5, r0=1e-3, h=20.0) == pytest.approx(6.208566, rel=1e-5)
    h = 150.0  # 1/m = 13.5 mm: the plate's far edges do not matter
    s = plate(55.0, 50.0, cell=0.25, film=h)
    network = build_network(s)
    fine = (np.arange(40 * 8) + 0.5) * 0.25 / 8
    inside = np.hypot(*np.meshgrid(fine, fine)) <= 1.0
    share = np.zeros(s.shape)
    share[:40, :40] = inside.reshape(40, 8, 40, 8).mean(axis=(1, 3))
    power = 0.125 * share.ravel() / share.sum()
    u = network.steady_rise(power)
    for r in (2.0, 3.0, 5.0, 10.0):
        expected = disc_rise(r * 1e-3, power=0.5, r0=1e-3, h=h)
        assert corner_rise(u, s, r) == pytest.approx(expected, rel=0.01)


def test_switch_on_follows_the_leaky_aquifer_integral():
    # Hantush & Jacob 1955 well function; r = 2 mm, h = 20, P = 0.5 W.
    def expected(tau):
        a, m = K / RHO_C, np.sqrt(20.0 / (K * T_M))
        u, b = (2e-3) ** 2 / (4 * a * tau), (m * 2e-3) ** 2 / 4
        value, _ = integrate.quad(lambda y: np.exp(-y - b / y) / y, u, np.inf)
        return 0.5 / (4 * np.pi * K * T_M) * value

    for tau, value in ((1.0, 2.440288), (5.0, 4.615048)):
        assert expected(tau) == pytest.approx(value, rel=1e-6)
    s = plate(50.0, 44.0, cell=0.5, film=20.0)
    network = build_network(s)
    power = np.zeros(network.size)
    power[0] = 0.125
    stepper = HeatStepper(network, step_s=0.05)
    u = np.zeros(network.size)
    for n in range(1, 101):
        u = stepper.step(u, power)
        if n in (20, 60, 100):
            assert corner_rise(u, s, 2.0) == pytest.approx(expected(0.05 * n), rel=0.01)


def fem_operators(mesh, conductivity, *, film):
    skfem = pytest.importorskip("skfem")
    from skfem.helpers import dot, grad

    basis = skfem.Basis(mesh, skfem.ElementQuad2())

    @skfem.BilinearForm
    def conduction(u, v, w):
        return conductivity(w.x) * T_M * dot(grad(u), grad(v)) + film * u * v

    @skfem.BilinearForm
    def storage(u, v, _):
        return RHO_C * T_M * u * v

    @skfem.LinearForm
    def heated(v, w):
        inside = (np.abs(w.x[0] - 12.5e-3) < 2.5e-3) & (np.abs(w.x[1] - 15e-3) < 2.5e-3)
        return 0.4 / (5e-3) ** 2 * inside * v

    return basis, conduction.assemble(basis), storage.assemble(basis), heated.assemble(basis)


def two_zones(x):
    return np.where(x[0] > 22.5e-3, 40.0, 12.0)


@pytest.fixture(scope="module")
def both_ways():
    skfem = pytest.importorskip("skfem")
    mesh = skfem.MeshQuad.init_tensor(np.linspace(0, 45e-3, 46), np.linspace(0, 30e-3, 31))
    s = plate(45.0, 30.0, cell=0.5, film=25.0)
    rows, columns = s.shape
    x = (np.arange(columns) + 0.5) * 0.5
    y = (np.arange(rows) + 0.5) * 0.5
    xx, yy = np.meshgrid(x, y)
    copper = two_zones(np.array([xx, yy]) * 1e-3) / K
    inside = (np.abs(xx - 12.5) < 2.5) & (np.abs(yy - 15.0) < 2.5)
    power = (0.4 * inside / inside.sum()).ravel()
    return fem_operators(mesh, two_zones, film=25.0), build_network(s, copper=copper), power, s


PROBES_MM = np.array([[12.25, 15.25], [20.25, 15.25], [25.25, 10.25], [40.25, 25.25], [2.25, 3.25]])


def at_probes(u, s):
    dx, dy = s.cell_size_mm
    rows, columns = s.shape
    index = (PROBES_MM / [dx, dy]).astype(int)
    return u[: rows * columns].reshape(rows, columns)[index[:, 1], index[:, 0]]


def test_steady_plate_with_two_copper_zones_agrees_with_scikit_fem(both_ways):
    skfem = pytest.importorskip("skfem")
    (basis, stiffness, _, load), network, power, s = both_ways
    fem = basis.probes(PROBES_MM.T * 1e-3) @ skfem.solve(stiffness, load)
    np.testing.assert_allclose(at_probes(network.steady_rise(power), s), fem, rtol=0.01)


def test_warming_plate_with_two_copper_zones_agrees_with_scikit_fem(both_ways):
    skfem = pytest.importorskip("skfem")
    (basis, stiffness, storage, load), network, power, s = both_ways
    from scipy.sparse.linalg import splu

    dt = 0.05  # the library's own side: Crank-Nicolson from rest
    left = splu((storage + 0.5 * dt * stiffness).tocsc())
    fem = np.zeros(len(load))
    u = np.zeros(network.size)
    stepper = HeatStepper(network, step_s=0.1)
    probes = basis.probes(PROBES_MM.T * 1e-3)
    assert skfem.__version__
    for n in range(1, 81):
        for _ in range(2):
            fem = left.solve((storage - 0.5 * dt * stiffness) @ fem + dt * load)
        u = stepper.step(u, power)
        if n in (10, 40, 80):
            scale = (probes @ fem).max()
            np.testing.assert_allclose(at_probes(u, s), probes @ fem, atol=0.01 * scale)
