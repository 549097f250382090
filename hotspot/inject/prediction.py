"""What the camera will see: temperature rise at the part and in the pixel, and when.

The board is a plate with convection on both faces, heated by a disc of the part's area; the part is
a body on top of it behind a contact resistance. Everything is linear in the power, so all is
computed for one watt. Closed forms: switch-on of a line source in a plate with surface loss
(the integral of the leaky-aquifer well function, Hantush & Jacob 1955), its K0 limit (Carslaw &
Jaeger, Conduction of Heat in Solids, 2nd ed., ch. 10) and its K0 response to a sinusoid.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import cumulative_simpson
from scipy.interpolate import CubicHermiteSpline
from scipy.special import k0, kv

from hotspot.inject.packages import TYPICAL, Package

Floats = NDArray[np.float64]

# The reduced model's steady rise may be wrong by this factor: in-plane conductivity ±25 %
# (copper pours vary), film coefficient ±20 % (natural convection correlations), contact ×2.
MODEL_FACTOR = 2.0


@dataclass(frozen=True, slots=True)
class Plate:
    """The board as a plate.

    Attributes
    ----------
    thickness_mm
        Of the board.
    copper_um
        Copper of all layers together, coverage taken into account.
    film_w_m2k
        Loss coefficient, both faces together: natural convection 4 to 7 W/(m² K) a face
        (Incropera eq. 9.30) plus radiation near 5.
    """

    thickness_mm: float = 1.0
    copper_um: float = 70.0
    film_w_m2k: float = 20.0

    @property
    def conductance_w_k(self) -> float:
        """k·t of the layered plate, copper 385 and laminate 0.30 W/(m K) in parallel."""
        copper_m = min(self.copper_um * 1e-6, 0.9 * self.thickness_mm * 1e-3)
        return 385.0 * copper_m + 0.30 * (self.thickness_mm * 1e-3 - copper_m)

    @property
    def heat_j_m2k(self) -> float:
        """Heat capacity per area: 2.0 MJ/(m³ K) for laminate with copper (±25 %)."""
        return 2.0e6 * self.thickness_mm * 1e-3


@dataclass(frozen=True, slots=True)
class Viewing:
    """How the camera looks at the board.

    Attributes
    ----------
    netd_mk
        Noise of one pixel in one frame.
    mm_per_px
        Size of a pixel on the board.
    frame_rate_hz
        Frames that carry new information, per second.
    psf_sigma_px
        Standard deviation of the optical blur.
    emissivity
        Of the part (ceramic body 0.75 to 0.95, solder mask 0.85 to 0.95).
    cold_frames
        Frames in the cold baseline.
    """

    netd_mk: float = 50.0
    mm_per_px: float = 0.3
    frame_rate_hz: float = 25.0
    psf_sigma_px: float = 0.7
    emissivity: float = 0.9
    cold_frames: int = 250

    @property
    def blur_mm(self) -> float:
        """Standard deviation of blur and pixel area together (a unit box has variance 1/12)."""
        return self.mm_per_px * math.sqrt(self.psf_sigma_px**2 + 1.0 / 12.0)


@dataclass(frozen=True, slots=True)
class Scenery:
    """Board, part and camera together; `package` None means not known."""

    plate: Plate = field(default_factory=Plate)
    package: Package | None = None
    view: Viewing = field(default_factory=Viewing)
    ambient_c: float = 23.0

    @property
    def body(self) -> Package:
        """The part, or the commonest one when it is not known."""
        return self.package or TYPICAL


def contact_k_w(package: Package) -> float:
    """Return the thermal resistance from body to board, joints and spreading in the pads.

    30 K/W for an 0402 and falling with the edge length (constriction, Carslaw & Jaeger sec. 8.2);
    the size is common practice, no source, and good to a factor of two.
    """
    return 30.0 * TYPICAL.radius_mm / package.radius_mm


def well_function(u: Floats, beta: float) -> Floats:
    """Return ∫_u^∞ exp(−y − β²/4y)/y dy for each `u` > 0 (Hantush & Jacob 1955)."""
    low, high = math.log(float(np.min(u)) * 0.999), math.log(60.0)
    s = np.linspace(low, high, 801)
    y = np.exp(s)
    slope = np.exp(-y - beta**2 / (4.0 * y))
    below = cumulative_simpson(slope, x=s, initial=0.0)
    # The slope is known exactly, so a cubic between the nodes keeps eight digits.
    tail = CubicHermiteSpline(s, below[-1] - below, -slope)
    return np.asarray(tail(np.log(u)), dtype=np.float64)


def plate_rise_k(plate: Plate, radius_mm: float, *, t_s: Floats, power_w: float = 1.0) -> Floats:
    """Return the plate's rise at `radius_mm` from a point heated since t = 0; `t_s` > 0."""
    conductance = plate.conductance_w_k
    diffusivity = conductance / plate.heat_j_m2k
    beta = math.sqrt(plate.film_w_m2k / conductance) * radius_mm * 1e-3
    u = (radius_mm * 1e-3) ** 2 / (4.0 * diffusivity * np.asarray(t_s, dtype=np.float64))
    seen = np.minimum(u, 59.0)  # beyond it the integral is below 1e-27
    return power_w / (4.0 * math.pi * conductance) * well_function(seen, beta)


def plate_steady_k(plate: Plate, radius_mm: float, *, power_w: float = 1.0) -> float:
    """Return the steady rise P K0(mr) / (2π k t), m = √(h / k t)."""
    conductance = plate.conductance_w_k
    m_r = math.sqrt(plate.film_w_m2k / conductance) * radius_mm * 1e-3
    return power_w * float(k0(m_r)) / (2.0 * math.pi * conductance)


def _mean_radius_mm(scenery: Scenery) -> float:
    # A disc heated evenly has, in the mean over itself, the rise of a line source at r e^(−1/4):
    # the mean logarithmic distance of two points in a disc is ln r − 1/4.
    return scenery.body.radius_mm * math.exp(-0.25)


def _seen_radius_mm(scenery: Scenery) -> float:
    # The mean of ln r over a Gaussian of width σ is ln(σ √2 e^(−γ/2)) = ln(1.06 σ): the plate's
    # logarithmic peak looks as if read at that radius.
    return math.hypot(_mean_radius_mm(scenery), 1.06 * scenery.view.blur_mm)


def body_share(scenery: Scenery) -> float:
    """Return how much of the body's own rise the brightest pixel shows (spot against pixel)."""
    scale = 2.0 * math.sqrt(2.0) * scenery.view.blur_mm
    return math.erf(scenery.body.length_mm / scale) * math.erf(scenery.body.width_mm / scale)


def part_rise_k(scenery: Scenery, *, t_s: Floats, power_w: float = 1.0) -> Floats:
    """Return the rise of the part `t_s` after switching on."""
    return power_w * _rise_k_w(scenery, _mean_radius_mm(scenery), t_s=t_s, body_share=1.0)


def part_steady_k(scenery: Scenery, *, power_w: float = 1.0) -> float:
    """Return the part's steady rise."""
    plate = plate_steady_k(scenery.plate, _mean_radius_mm(scenery))
    return power_w * (plate + contact_k_w(scenery.body))


@lru_cache(maxsize=32)
def time_constant_s(scenery: Scenery) -> float:
    """Return how fast the body follows the power, s."""
    # The body's heat capacity is filled against contact and board in series; the board's share is
    # its rise after about a second, where it hardly moves (logarithm).
    board_k_w = float(plate_rise_k(scenery.plate, _mean_radius_mm(scenery), t_s=np.array([1.0]))[0])
    return (contact_k_w(scenery.body) + board_k_w) * scenery.body.heat_capacity_j_k


def _arrived_s(t_s: Floats, tau_s: float) -> Floats:
    # The heat reaches the board through the body's time constant τ: after t as much has arrived as
    # without the body after t − τ(1 − e^(−t/τ)).
    arrived: Floats = np.maximum(t_s + tau_s * np.expm1(-t_s / tau_s), 1e-6)
    return arrived


def _rise_k_w(scenery: Scenery, radius_mm: float, *, t_s: Floats, body_share: float) -> Floats:
    t = np.asarray(t_s, dtype=np.float64)
    tau_s = time_constant_s(scenery)
    plate = plate_rise_k(scenery.plate, radius_mm, t_s=_arrived_s(t, tau_s))
    body = contact_k_w(scenery.body) * -np.expm1(-t / tau_s)
    return plate + body_share * body


def apparent_rise_k(scenery: Scenery, *, t_s: Floats, power_w: float = 1.0) -> Floats:
    """Return the rise that the brightest pixel shows `t_s` after switching on."""
    share = body_share(scenery)
    seen = _rise_k_w(scenery, _seen_radius_mm(scenery), t_s=t_s, body_share=share)
    return power_w * scenery.view.emissivity * seen


def apparent_steady_k(scenery: Scenery, *, power_w: float = 1.0) -> float:
    """Return the steady rise that the brightest pixel shows."""
    plate = plate_steady_k(scenery.plate, _seen_radius_mm(scenery))
    body = body_share(scenery) * contact_k_w(scenery.body)
    return power_w * scenery.view.emissivity * (plate + body)


def pulsed_amplitude_k(scenery: Scenery, *, period_s: float, power_w: float = 1.0) -> float:
    """Return the fundamental's amplitude in the brightest pixel under a half-on pulse train.

    A square wave 0…P has a fundamental of 2P/π; the plate answers K0(r √(m² + iω/a)) / (2π k t),
    the body R/(1 + iωRC).
    """
    plate, body = scenery.plate, scenery.body
    omega = 2.0 * math.pi / period_s
    conductance = plate.conductance_w_k
    wave = np.sqrt((plate.film_w_m2k + 1j * omega * plate.heat_j_m2k) / conductance)
    field_k = kv(0, wave * _seen_radius_mm(scenery) * 1e-3) / (2.0 * math.pi * conductance)
    contact = contact_k_w(body)
    body_k = contact / (1.0 + 1j * omega * contact * body.heat_capacity_j_k)
    gain = abs(complex(field_k + body_share(scenery) * body_k))
    return power_w * 2.0 / math.pi * scenery.view.emissivity * gain


# A ladder asks for the same few times again and again; all is linear in the power.
@lru_cache(maxsize=256)
def rises_per_watt_k(scenery: Scenery, t_s: float) -> tuple[float, float]:
    """Return the rise per watt of the part and of the brightest pixel `t_s` after switching on."""
    when = np.array([t_s])
    part, seen = part_rise_k(scenery, t_s=when), apparent_rise_k(scenery, t_s=when)
    return float(part[0]), float(seen[0])
