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
# Averaging a step response ends at the camera's own drift; 5 mK after 10 s, growing with the root
# of time, is a good uncooled camera after its warm-up (common practice, no source).
DRIFT_K_AT_10_S = 0.005
THRESHOLD_SIGMA = 5.0  # one false alarm in twenty over 640 × 480 pixels needs 5.1 (Šidák)
STEP_MAX_S = 60.0
PULSED_MAX_S = 1800.0


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


def _seen_radius_mm(scenery: Scenery) -> float:
    # The mean of ln r over a Gaussian of width σ is ln(σ √2 e^(−γ/2)) = ln(1.06 σ): the plate's
    # logarithmic peak looks as if read at that radius.
    return math.hypot(scenery.body.radius_mm, 1.06 * scenery.view.blur_mm)


def body_share(scenery: Scenery) -> float:
    """Return how much of the body's own rise the brightest pixel shows (spot against pixel)."""
    scale = 2.0 * math.sqrt(2.0) * scenery.view.blur_mm
    return math.erf(scenery.body.length_mm / scale) * math.erf(scenery.body.width_mm / scale)


def part_rise_k(scenery: Scenery, *, t_s: Floats, power_w: float = 1.0) -> Floats:
    """Return the rise of the part `t_s` after switching on."""
    t = np.asarray(t_s, dtype=np.float64)
    return power_w * (
        plate_rise_k(scenery.plate, scenery.body.radius_mm, t_s=t) + _body(scenery, t)
    )


def part_steady_k(scenery: Scenery, *, power_w: float = 1.0) -> float:
    """Return the part's steady rise."""
    plate = plate_steady_k(scenery.plate, scenery.body.radius_mm)
    return power_w * (plate + contact_k_w(scenery.body))


def _body(scenery: Scenery, t_s: Floats) -> Floats:
    contact = contact_k_w(scenery.body)
    return contact * -np.expm1(-t_s / (contact * scenery.body.heat_capacity_j_k))


def apparent_rise_k(scenery: Scenery, *, t_s: Floats, power_w: float = 1.0) -> Floats:
    """Return the rise that the brightest pixel shows `t_s` after switching on."""
    t = np.asarray(t_s, dtype=np.float64)
    plate = plate_rise_k(scenery.plate, _seen_radius_mm(scenery), t_s=t)
    body = body_share(scenery) * _body(scenery, t)
    return power_w * scenery.view.emissivity * (plate + body)


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


@dataclass(frozen=True, slots=True)
class Visibility:
    """When the part stands out from the noise; None means not within the time looked at.

    Attributes
    ----------
    one_frame_s
        In a single frame, less the cold baseline.
    averaged_s
        In the mean of all frames since switching on.
    pulsed_s
        In a pulse train, demodulated; whole periods, at least two.
    needed_w
        Power that would show within 10 s of averaging.
    """

    one_frame_s: float | None
    averaged_s: float | None
    pulsed_s: float | None
    needed_w: float


_GRID_S: Floats = np.geomspace(0.04, STEP_MAX_S, 90)


def predict_visibility(
    scenery: Scenery, *, power_w: float, period_s: float = 10.0, allowed_s: float = STEP_MAX_S
) -> Visibility:
    """Return when a part that takes `power_w` stands out.

    Thresholds are five standard errors: of one frame against the baseline; of the mean of n frames
    against it, drift added; of a pulse train's fundamental with known phase, √(2/n) NETD.
    """
    view = scenery.view
    noise_k = view.netd_mk * 1e-3
    per_watt = apparent_rise_k(scenery, t_s=_GRID_S)
    mean_per_watt = np.maximum.accumulate(_running_mean(per_watt))
    base = 1.0 / view.cold_frames
    one = THRESHOLD_SIGMA * noise_k * math.sqrt(1.0 + base)
    frames = np.maximum(1.0, np.floor(_GRID_S * view.frame_rate_hz))
    drift_k = DRIFT_K_AT_10_S * np.sqrt(_GRID_S / 10.0)
    averaged = THRESHOLD_SIGMA * np.sqrt(noise_k**2 * (1.0 / frames + base) + drift_k**2)
    at_10 = int(np.searchsorted(_GRID_S, 10.0))
    amplitude = pulsed_amplitude_k(scenery, period_s=period_s, power_w=power_w)
    return Visibility(
        one_frame_s=_first(power_w * per_watt >= one, allowed_s),
        averaged_s=_first(power_w * mean_per_watt >= averaged, allowed_s),
        pulsed_s=_pulsed_s(amplitude, noise_k, period_s, view.frame_rate_hz),
        needed_w=float(np.min(averaged[: at_10 + 1] / mean_per_watt[: at_10 + 1])),
    )


def _running_mean(values: Floats) -> Floats:
    steps = np.diff(_GRID_S, prepend=0.0)
    middle = np.concatenate(([values[0] / 2.0], (values[1:] + values[:-1]) / 2.0))
    mean: Floats = np.cumsum(middle * steps) / _GRID_S
    return mean


def _first(seen: NDArray[np.bool_], allowed_s: float) -> float | None:
    hits = np.flatnonzero(seen & (allowed_s >= _GRID_S))
    return float(_GRID_S[hits[0]]) if hits.size else None


def _pulsed_s(amplitude_k: float, noise_k: float, period_s: float, rate_hz: float) -> float | None:
    if amplitude_k <= 0.0:
        return None
    frames = 2.0 * (THRESHOLD_SIGMA * noise_k / amplitude_k) ** 2
    periods = max(2, math.ceil(frames / rate_hz / period_s)) if frames < 1e9 else 10**9
    return periods * period_s if periods * period_s <= PULSED_MAX_S else None
