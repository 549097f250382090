"""What people are told: headline, numbers, next steps, cautions; the same on paper and screen."""

from __future__ import annotations

import math

from hotspot.board import Board
from hotspot.finding import CANNOT_TELL, HOT_SPOT, Finding, Spot, Suspect
from hotspot.frame import Recording
from hotspot.inject.words import power_words

# Common practice, no source: shown wherever current is about to go, or has gone, into a board.
CAUTIONS = (
    "Battery and every other supply disconnected before current goes into a rail.",
    "Keep to the planned voltage and current; hot parts burn, a shorted part can burst or smoke.",
    "Lithium cells, mains and fumes can injure: follow local codes, leave to a licensed person what"
    " is theirs.",
)


def plain_number(value: float, *, digits: int = 2) -> str:
    """Return `value` with so many significant digits, without an exponent where that reads well."""
    if value == 0 or not math.isfinite(value):
        return f"{value:g}"
    decimals = max(0, digits - 1 - math.floor(math.log10(abs(value))))
    return f"{value:.{decimals}f}" if decimals <= 6 else f"{value:.1e}"


def percent(probability: float) -> str:
    """Return a probability as people write it; never "100 %" for less than certainty."""
    if probability > 0.99:
        return ">\u00a099\u00a0%"
    if probability < 0.01:
        return "<\u00a01\u00a0%"
    return f"{100 * probability:.0f}\u00a0%"


def odds(probability: float) -> str:
    """Return a small probability as "3 in 10 000"."""
    if probability < 1e-6:
        return "less than 1 in a million"
    if probability > 0.1:
        return percent(probability)
    base = 10 ** math.ceil(-math.log10(probability))
    count = probability * base
    if count > 9.5:
        base, count = base // 10, 1.0
    return f"{count:.0f} in {base:,}".replace(",", "\u00a0")


def rise(value: float, *, unit: str) -> str:
    """Return a temperature rise with its unit: mK below 0.1 K, or relative units."""
    if unit != "K":
        return f"{plain_number(value)} relative units"
    if abs(value) < 0.1:
        return f"{plain_number(1000 * value)} mK"
    return f"{plain_number(value)} K"


def headline(finding: Finding) -> str:
    """Return the answer in a few words."""
    if finding.verdict == HOT_SPOT:
        first = named_suspect(finding)
        if first is not None:
            return f"{first.ref}, {percent(first.probability)} likely"
        return "Hot spot, no part named" if finding.suspects else "Hot spot found"
    return "Cannot tell" if finding.verdict == CANNOT_TELL else "No hot spot"


def spot_label(finding: Finding) -> str:
    """Return what stands at a spot that has no part's name."""
    return "hot spot" if finding.verdict == HOT_SPOT else "uncertain"


def named_suspect(finding: Finding) -> Suspect | None:
    """Return the first suspect, if the finding names one at all.

    A part is named when it is more probable than everything that is not on the list; a list of
    parts that all explain the heat badly names nobody.
    """
    if finding.verdict != HOT_SPOT or not finding.suspects:
        return None
    first = finding.suspects[0]
    return first if first.probability > something_else(finding) else None


def main_spot(finding: Finding) -> Spot | None:
    """Return the spot that the answer is about: the named part's, else the strongest, path last."""
    first = named_suspect(finding)
    if first is not None and first.spot is not None and first.spot < len(finding.spots):
        return finding.spots[first.spot]
    return next(iter((*fault_spots(finding), *finding.spots)), None)


def something_else(finding: Finding) -> float:
    """Return the probability left for everything that is not among the suspects."""
    return max(0.0, 1.0 - sum(s.probability for s in finding.suspects))


def fault_spots(finding: Finding) -> tuple[Spot, ...]:
    """Return the spots that are not merely the current's path."""
    return tuple(s for s in finding.spots if s.role != "path")


def verdict_sentence(finding: Finding) -> str:
    """Return one sentence that says how sure the answer is, and of what."""
    unit = finding.heat.unit
    spot = main_spot(finding)
    if finding.verdict == HOT_SPOT and spot is not None:
        return (
            f"Hot spot {rise(spot.peak_k, unit=unit)} above cold, {plain_number(spot.snr)} times"
            f" its noise. Chance of a false alarm: {odds(finding.false_alarm_probability)}."
        )
    if finding.verdict == CANNOT_TELL and finding.suspects:
        return (
            f"The recording does not carry an answer; what little it shows is at"
            f" {finding.suspects[0].ref}."
        )
    if finding.verdict == CANNOT_TELL:
        return "The recording does not carry an answer."
    return (
        "Nothing in the picture warmed up more than noise and drift explain: chance of this reading"
        f" without any heat {odds(finding.false_alarm_probability)}."
    )


def limit_sentences(finding: Finding) -> tuple[str, ...]:
    """Return how weak a short would have been seen: one sentence, none where it is not known."""
    limit, unit = finding.limit, finding.heat.unit
    if limit is None:
        return ()
    if limit.blind:
        return ("No short would have been seen.",)
    often = "would have been seen nine times in ten"
    if limit.power_w is None:
        return (f"A part that warms by {rise(limit.rise_k, unit=unit)} {often}.",)
    hardest = ""
    if limit.hardest and limit.hardest_w is not None:
        hardest = f"; {limit.hardest} needs most, {power_words(limit.hardest_w)}"
    return (
        f"A short of about {power_words(limit.power_w)} or more {often}"
        f" ({rise(limit.rise_k, unit=unit)}{hardest}).",
    )


def next_steps(finding: Finding, *, rail: str | None = None) -> tuple[str, ...]:
    """Return what to do next, in order (common practice, no source)."""
    the_rail = f"rail {rail}" if rail else "the rail"
    first = named_suspect(finding)
    if first is not None:
        steps = [
            f"Supply off. Take {first.ref} off and measure {the_rail} to ground again.",
            "If the short is gone: replace the part, power up, check the current.",
        ]
        if first.probability < 0.8 and len(finding.suspects) > 1:
            steps.insert(
                0,
                f"{first.ref} and {finding.suspects[1].ref} lie close: look at both under the"
                " microscope first, or record again from nearer.",
            )
        else:
            steps.append("If it is still there: record again; a second part may be shorted.")
        return tuple(steps)
    if finding.verdict == HOT_SPOT and finding.suspects:
        return (
            "No part on the list explains the heat: look at the place under the microscope.",
            "Check rail, part list and landmarks; a part may be missing or shifted in them.",
        )
    if finding.verdict == HOT_SPOT:
        return (
            "No part list lies over this picture: find the place on the board by eye.",
            "Give a board pack (--board) and landmarks to have the part named.",
        )
    if finding.verdict == CANNOT_TELL:
        again = (
            "Mend what the warnings name and record again: 5 s cold, then current on, camera and"
            " board at rest."
        )
        if not finding.suspects:
            return (again,)
        nearer = (
            f"Go nearer, with {finding.suspects[0].ref} in the picture: its heat fills more of it."
        )
        return (again, nearer, "Take nothing off on the strength of this reading.")
    return (
        f"Check that current really flows into {the_rail}, and that this is the shorted rail.",
        "Raise the current within the plan, or record longer with the current switched on and off.",
        "Look at the other side of the board and under shields: heat may be hidden.",
    )


def injection_words(finding: Finding, recording: Recording) -> str:
    """Return how the current was switched: logged or found, when, and with what settings."""
    switching = finding.switching
    if switching.onset_s is None:
        return "no switching of the current known or found"
    how = {"log": "from the log", "estimated": "found in the frames"}.get(switching.source, "")
    words = f"current on at {switching.onset_s:.1f} s ({how})"
    if switching.period_s:
        words += f", pulses every {switching.period_s:.1f} s"
    log = recording.injection
    if log is not None and log.on.any():
        volts, amps = log.volts[log.on], log.amps[log.on]
        readings = [
            _reading(float(values[values == values].max()), unit=unit)
            for values, unit in ((volts, "V"), (amps, "A"))
            if (values == values).any()
        ]
        if readings:
            words += ", up to " + " and ".join(readings)
    return words


def _reading(value: float, *, unit: str) -> str:
    """Return a reading to hundredths, small ones in thousandths of the unit."""
    if 0 < abs(value) < 0.01:
        return f"{plain_number(1000 * value)} m{unit}"
    return f"{value:.2f} {unit}"


def frame_words(finding: Finding) -> str:
    """Return how many frames there were, how many were used and what became of the rest."""
    frames = finding.frames
    lost = [
        f"{count} {name}"
        for count, name in (
            (frames.repeated, "repeated"),
            (frames.shutter, "around shutter events"),
            (frames.moved, "moved"),
        )
        if count
    ]
    words = f"{frames.used} of {frames.total} frames used"
    return words + (f" ({', '.join(lost)})" if lost else "")


def registration_words(finding: Finding) -> str:
    """Return how the picture was laid over the board."""
    registration = finding.registration
    if registration.method == "none":
        return "not laid over a photo or board"
    words = f"laid over the board by {registration.method}"
    if registration.rms_px is not None:
        words += f", residual {registration.rms_px:.1f} px"
    if registration.refined_by:
        words += f", then moved onto {registration.refined_by}"
    return words


def place_words(spot: Spot, *, board: Board | None) -> str:
    """Return where a spot is, on the picture and on the board."""
    x, y = (float(v) for v in spot.xy_px)
    words = f"thermal pixel ({x:.1f}, {y:.1f})"
    if spot.xy_mm is not None:
        unit = "mm" if board is None or board.units == "mm" else "px of the photo"
        bx, by = (float(v) for v in spot.xy_mm)
        words += f", board ({bx:.1f}, {by:.1f}) {unit}"
        if spot.cov_mm2 is not None:
            sigma = math.sqrt(max(0.0, float(spot.cov_mm2[0, 0] + spot.cov_mm2[1, 1]) / 2))
            # 2.45 = sqrt(chi-square 95 % quantile, 2 degrees of freedom): radius of the region.
            words += f", within {plain_number(2.45 * sigma)} {unit} at 95 %"
    return words
