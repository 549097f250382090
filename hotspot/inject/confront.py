"""What was measured against what was predicted: how much of the power reached the spot."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from hotspot.errors import InputError
from hotspot.frame import SwitchLog
from hotspot.inject.heating import Heating, heated_rise_k, measure_heating
from hotspot.inject.plan import InjectionPlan
from hotspot.inject.prediction import MODEL_FACTOR
from hotspot.inject.words import power_words

AGREES, LESS, MORE, IMPOSSIBLE, UNKNOWN = "agrees", "less", "more", "impossible", "unknown"


@dataclass(frozen=True, slots=True)
class Confrontation:
    """Measured against predicted.

    Attributes
    ----------
    verdict
        `AGREES`, `LESS`, `MORE`, `IMPOSSIBLE` (more than the supply delivered) or `UNKNOWN`.
    measured_k, predicted_k
        Rise of the brightest pixel.
    spot_w, spot_low_w, spot_high_w
        Power that reached the spot, and the range that the model's own error leaves.
    fault_w, supplied_w
        Power expected in the short, and out of the supply.
    sentence
        For the report.
    """

    verdict: str
    measured_k: float
    predicted_k: float
    spot_w: float
    spot_low_w: float
    spot_high_w: float
    fault_w: float
    supplied_w: float
    sentence: str


def confront(plan: InjectionPlan, *, measured_k: float, heating: Heating) -> Confrontation:
    """Return how a measured rise compares with the plan's prediction.

    Power at the spot is the measured rise over the predicted rise per watt after all steps and
    pulses of the heating; the model is good to a factor of two either way, so only a larger gap is
    called one.

    Raises
    ------
    ValueError
        If the plan is refused, or a value is negative or not a number.
    """
    if plan.refused is not None:
        raise ValueError(f"plan must not be refused, got {plan.refused!r}")
    for name, value in (
        ("measured_k", measured_k),
        ("duration_s", heating.duration_s),
        ("volts", heating.volts),
        ("amps", heating.amps),
    ):
        if not math.isfinite(value) or value < 0.0:
            raise ValueError(f"{name} must be >= 0, got {value!r}")
    per_watt_k = heated_rise_k(plan.scenery, heating)
    supplied_w = heating.volts * heating.amps
    path_ohm = plan.loop.leads.ohm + plan.loop.series_ohm
    path_ohm += plan.loop.trace_ohm(current_a=heating.amps, ambient_c=plan.scenery.ambient_c)
    # What the supply gave less what the path took; a reading below the path's own loss is noise.
    fault_w = max(0.0, supplied_w - heating.amps**2 * path_ohm)
    spot_w = measured_k / per_watt_k
    verdict = _verdict(spot_w, fault_w, supplied_w)
    return Confrontation(
        verdict=verdict,
        measured_k=measured_k,
        predicted_k=fault_w * per_watt_k,
        spot_w=spot_w,
        spot_low_w=spot_w / MODEL_FACTOR,
        spot_high_w=spot_w * MODEL_FACTOR,
        fault_w=fault_w,
        supplied_w=supplied_w,
        sentence=_sentence(verdict, spot_w, fault_w, supplied_w),
    )


def confront_finding(
    plan: InjectionPlan, finding: Mapping[str, Any], *, log: SwitchLog | None, unit: str = "K"
) -> Confrontation | None:
    """Return the comparison for the strongest spot of a finding, None when it has no spot.

    Parameters
    ----------
    finding
        The JSON of ``hotspot find --json``.
    log
        The injection as logged, if it was.
    unit
        Of the finding's rise; anything but "K" gives the verdict `UNKNOWN`.

    Raises
    ------
    InputError
        If the finding has no usable rise.
    """
    try:
        spots = finding["spots"]
        if not spots:
            return None
        rise_k = float(spots[0]["peak_delta_k"])
        if not math.isfinite(rise_k):
            raise ValueError("peak_delta_k is no number")
    except (KeyError, TypeError, ValueError, IndexError) as err:
        cure = "Make it with: hotspot find … --json"
        raise InputError(f"not a finding: {err}", cure=cure) from err
    heating = measure_heating(log, plan)
    result = confront(plan, measured_k=max(0.0, rise_k), heating=heating)
    if unit == "K":
        return result
    sentence = "The camera has no absolute scale: the power at the spot cannot be estimated."
    return Confrontation(
        UNKNOWN, rise_k, result.predicted_k, math.nan, math.nan, math.nan,
        result.fault_w, result.supplied_w, sentence,
    )  # fmt: skip


def confrontation_to_dict(result: Confrontation) -> dict[str, Any]:
    """Return the comparison as plain data; None where nothing is known."""

    def known(value: float) -> float | None:
        return value if math.isfinite(value) else None

    return {
        "verdict": result.verdict,
        "measured_delta_k": known(result.measured_k),
        "predicted_delta_k": result.predicted_k,
        "spot_power_w": known(result.spot_w),
        "spot_power_range_w": [known(result.spot_low_w), known(result.spot_high_w)],
        "fault_power_w": result.fault_w,
        "supplied_power_w": result.supplied_w,
        "sentence": result.sentence,
    }


def _verdict(spot_w: float, fault_w: float, supplied_w: float) -> str:
    if spot_w > MODEL_FACTOR * supplied_w:
        return IMPOSSIBLE
    if spot_w > MODEL_FACTOR * fault_w:
        return MORE
    return LESS if spot_w < fault_w / MODEL_FACTOR else AGREES


def _sentence(verdict: str, spot_w: float, fault_w: float, supplied_w: float) -> str:
    reached = f"about {power_words(spot_w)} reached the spot"
    if verdict == AGREES:
        return f"As predicted: {reached}, {power_words(fault_w)} were expected in the short."
    if verdict == LESS:
        return (
            f"Less than predicted: only {reached}, {power_words(fault_w)} were expected. The heat "
            "may be buried (under a shield or an IC, on the other side), the current may go "
            "elsewhere as well (a second short), or the part is shiny and looks colder than it is."
        )
    if verdict == MORE:
        return (
            f"More than predicted: {reached}, {power_words(fault_w)} were expected. The part may "
            "be badly cooled or smaller than assumed, or the spot lies on the path (inductor, "
            "bead, contact) and not at the short."
        )
    return (
        f"More than possible: {reached}, but the supply gave {power_words(supplied_w)} only. "
        "Something else warms it: another source still connected, a hand, or a reflection."
    )
