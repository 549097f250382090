"""How weak a short would have been seen: what "no hot spot" rules out, and what it does not.

The detection limit is the power at which nine of ten shorts stand out by more than noise does once
in so many recordings (Currie, Anal. Chem. 40 (1968) 586, from memory: a limit needs both errors
named). What a watt in a part would show is the plate model of `hotspot.inject.prediction`, in space
and time; what it takes to stand out is the noise of this very recording.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import ndtri

from hotspot.checks import FloatArray
from hotspot.doubts import NOT_SELDOM
from hotspot.finding import DetectionLimit
from hotspot.frame import SwitchLog
from hotspot.heat.fit import HeatFit
from hotspot.heat.response import BODY_TAUS_S
from hotspot.heat.waves import frequencies
from hotspot.inject.case import to_plate
from hotspot.inject.packages import TYPICAL, Package, find_package
from hotspot.inject.prediction import Plate, Scenery, Viewing, contact_k_w, time_constant_s
from hotspot.inject.words import power_words
from hotspot.line import Line
from hotspot.locate.at_parts import PartNoise
from hotspot.locate.detect import Scores, false_alarm_probability
from hotspot.locate.field import Field
from hotspot.locate.parts import Place, part_false_alarm
from hotspot.locate.templates import measure, whiten

# Share of shorts at the limit that are seen.
SEEN = 0.9
# Heat that has spread further than this is left out, px: drift removal takes of it, and how much
# the model does not know. The limit is on the safe side by that.
WIDEST_PX = 8.0
# Bodies of unknown height are as high as they are wide, and a chip's package no higher than this
# (common practice, no source), mm.
MOST_HEIGHT_MM = 0.9
# A rail that takes less than this would let through is not shorted: little power into it is what a
# good board takes (common practice, no source).
SHORTED_OHM = 100.0
BLIND = (
    "Too little of the recording is left to see any short by: keep hands away, camera and board at"
    " rest, and record again"
)
# An SNR that no limit exceeds.
MOST_SNR = 60.0


def too_little(limit: DetectionLimit, log: SwitchLog) -> str | None:
    """Return why "no hot spot" would say too much, a sentence with the cure, or None.

    Parameters
    ----------
    limit
        Of the recording.
    log
        Its injection; what went in is known where volts and amps were written down.
    """
    if limit.blind:
        return BLIND
    given = np.asarray(log.on, dtype=np.bool_) & np.isfinite(log.volts) & np.isfinite(log.amps)
    given &= log.amps > 0
    if limit.power_w is None or not given.any():
        return None
    volts, amps = log.volts[given], log.amps[given]
    most_w, least_ohm = float(np.max(volts * amps)), float(np.min(volts / amps))
    if most_w >= limit.power_w or least_ohm > SHORTED_OHM:
        return None
    return (
        f"At most {power_words(most_w)} went into the rail, and a short would have been seen from"
        f" about {power_words(limit.power_w)} on: raise the current as planned, or record longer"
    )


@dataclass(frozen=True, slots=True)
class _PerWatt:
    """What a watt in a part shows: SNR where the noise of a contrast is 1, and K at most."""

    snr: float
    rise_k: float


def detection_limit(
    line: Line,
    fit: HeatFit,
    field: Field,
    *,
    scores: Scores,
    trials: float,
    limit: float,
    noise: PartNoise | None = None,
) -> DetectionLimit | None:
    """Return how weak a short would have been seen, or None where no place was looked at.

    Parameters
    ----------
    line, fit, field
        What is known, and seen.
    scores
        Of the field.
    trials, limit
        Switchings tried, and the largest chance of a reading that counts.
    noise
        How high noise reaches at a part as other parts show it, where they do: a reading must
        stand out from that, too.
    """
    places = [p for p in line.candidates if _is_inside(p, field.searched)]
    if not field.searched.any() or (line.candidates and not places):
        return None
    if places:
        least = _least_snr(
            lambda snr: part_false_alarm(snr, parts=len(places), trials=trials), limit=limit
        )
        if noise is not None:
            told = _least_snr(
                lambda snr: noise.chance(snr, parts=len(places), trials=trials), limit=NOT_SELDOM
            )
            least = max(least, told)
        sigma = np.array([field.local_sigma[_pixel(p)] for p in places], dtype=np.float64)
    else:
        area = float(np.sum(~field.bad))
        least = _least_snr(
            lambda snr: (
                trials * false_alarm_probability(snr, area_px=area, roughness=scores.roughness)
            ),
            limit=limit,
        )
        sigma = np.array([float(np.median(field.local_sigma[field.searched]))])
    needed = (least + float(ndtri(SEEN))) * scores.scale * sigma
    scale = line.mm_per_px
    if scale is None or line.unit != "K":
        spot = _per_kelvin(fit, field, sigma_px=line.sigma_px)
        return DetectionLimit(rise_k=float(np.median(needed)) / spot, power_w=None)
    plate = Plate() if line.board is None else to_plate(line.board)
    bodies = [_body(line, p, scale) for p in places] or [TYPICAL]
    known = {
        body: _per_watt(
            Scenery(plate=plate, package=body, view=Viewing(mm_per_px=scale)),
            fit, field, blur_px=line.blur_px,
        )
        for body in set(bodies)
    }  # fmt: skip
    each = [known[body] for body in bodies]
    power = needed / np.array([e.snr for e in each])
    rise = power * np.array([e.rise_k for e in each])
    hardest = int(np.argmax(power))
    return DetectionLimit(
        rise_k=float(np.median(rise)),
        power_w=float(np.median(power)),
        hardest=places[hardest].ref if places else "",
        hardest_w=float(power[hardest]) if places else None,
    )


def _least_snr(chance: Callable[[float], float], *, limit: float) -> float:
    """Return the SNR from which on noise gives a reading seldom enough."""
    if chance(MOST_SNR) > limit:
        return MOST_SNR
    return float(brentq(lambda snr: chance(snr) - limit, 1.0, MOST_SNR, xtol=1e-3))


def _per_watt(scenery: Scenery, fit: HeatFit, field: Field, *, blur_px: float) -> _PerWatt:
    """Return what a watt in a part shows.

    A body holds `contact_k_w` kelvins over its area, behind its time constant; what it passes on
    warms the plate by a joule over the heat capacity of an area that grows as 2 a t, the plate's
    diffusivity a (Carslaw & Jaeger, Conduction of Heat in Solids, sec. 10.3).
    """
    body, plate, mm2 = scenery.body, scenery.plate, scenery.view.mm_per_px**2
    contrasts, shown = fit.contrasts, scenery.view.emissivity
    i = int(np.argmin(np.abs(np.log(np.array(BODY_TAUS_S) / time_constant_s(scenery)))))
    own_px2 = blur_px**2 + (body.length_mm**2 + body.width_mm**2) / (24 * mm2)
    held = shown * contact_k_w(body) * body.length_mm * body.width_mm / mm2  # K px2
    passed = shown / (plate.heat_j_m2k * 1e-6 * mm2)  # K px2 per J
    diffusivity_px2_s = plate.conductance_w_k / plate.heat_j_m2k * 1e6 / mm2
    wide_px2 = own_px2 + 2 * diffusivity_px2_s * fit.atoms.age_s
    near = wide_px2 < max(WIDEST_PX**2, 2 * own_px2)
    ky, kx = frequencies(field.padded)
    k2 = ky**2 + kx**2
    transfer = held * contrasts.body[:, i, None, None] * np.exp(-0.5 * own_px2 * k2)
    for age in np.flatnonzero(near):
        gain = passed * contrasts.spread[:, i, age, None, None]
        transfer = transfer + gain * np.exp(-0.5 * wide_px2[age] * k2)
    drawn: NDArray[np.float32] = np.asarray(transfer, dtype=np.float32)
    seen = measure(drawn, whitened=whiten(drawn, field.inverse_noise), padded=field.padded)
    course = held / own_px2 * fit.body[i] + passed * (1 / wide_px2) @ fit.spread[i]
    return _PerWatt(
        snr=float(np.sqrt(max(seen.energy, 1e-30))), rise_k=float(np.max(course)) / (2 * np.pi)
    )


def _per_kelvin(fit: HeatFit, field: Field, *, sigma_px: float) -> float:
    """Return the SNR of a small body that reaches one kelvin, where the noise is 1."""
    ordinary = 1  # of BODY_TAUS_S
    ky, kx = frequencies(field.padded)
    spot = 2 * np.pi * sigma_px**2 * np.exp(-0.5 * sigma_px**2 * (ky**2 + kx**2))
    gain = fit.contrasts.body[:, ordinary, None, None] / np.max(fit.body[ordinary])
    drawn: NDArray[np.float32] = np.asarray(gain * spot, dtype=np.float32)
    seen = measure(drawn, whitened=whiten(drawn, field.inverse_noise), padded=field.padded)
    return float(np.sqrt(max(seen.energy, 1e-30)))


def _body(line: Line, place: Place, mm_per_px: float) -> Package:
    """Return the body of a part: its package's, or as large as it is drawn."""
    part = next(p for p in line.board.parts if p.ref == place.ref) if line.board else None
    package = None if part is None else find_package(part.package)
    if package is not None and package.name.isdigit():
        return package
    sides: FloatArray = np.linalg.norm(np.diff(place.outline_px[:3], axis=0), axis=1) * mm_per_px
    # To a tenth of a millimetre: parts of one size share one body.
    length, width = (max(0.2, round(float(side), 1)) for side in np.sort(sides)[::-1])
    return Package(
        "drawn", length, width, min(width, MOST_HEIGHT_MM), 0.0, "the outline in the part map"
    )


def _pixel(place: Place) -> tuple[int, int]:
    return round(float(place.xy_px[1])), round(float(place.xy_px[0]))


def _is_inside(place: Place, searched: NDArray[np.bool_]) -> bool:
    row, column = _pixel(place)
    rows, columns = searched.shape
    return 0 <= row < rows and 0 <= column < columns and bool(searched[row, column])
