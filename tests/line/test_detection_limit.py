"""What "no hot spot" rules out: from how much power on a short would have been seen."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import lambertw
from scipy.stats import norm

from hotspot.board import Role, find_roles
from hotspot.conclude import FALSE_ALARM_LIMIT
from hotspot.detection_limit import BLIND, SHORTED_OHM, _body, _per_watt, too_little
from hotspot.doubts import NOT_SELDOM
from hotspot.find import find
from hotspot.finding import CANNOT_TELL, NO_HOT_SPOT, DetectionLimit, finding_to_dict
from hotspot.frame import SwitchLog
from hotspot.inject.case import to_plate
from hotspot.inject.prediction import Scenery, Viewing, apparent_rise_k
from hotspot.inject.words import power_words
from hotspot.locate.at_parts import USUAL_TESTS, PartNoise
from hotspot.locate.parts import TEMPLATES_PER_PLACE
from hotspot.look import _field_of
from hotspot.undisturbed import find_heat
from tests.line.test_find import demo_board, simulated
from tests.line.test_switched import line_of

SECONDS, ONSET_S = 26.0, 6.0
# The short of the practice bench, ohm (`tests.line.test_find.simulated`).
SHORT_OHM = 0.12


def log(*, volts: float, amps: float) -> SwitchLog:
    return SwitchLog(
        t_s=np.array([0.0, 6.0]),
        on=np.array([False, True]),
        volts=np.array([0.0, volts]),
        amps=np.array([0.0, amps]),
    )


@pytest.fixture(scope="module")
def limit() -> DetectionLimit:
    healthy = find(simulated(None, duration_s=SECONDS).recording, board=demo_board())
    assert healthy.verdict == NO_HOT_SPOT
    assert healthy.limit is not None
    return healthy.limit


@pytest.mark.parametrize(("ref", "within"), [("C18", 0.1), ("C1", 0.15), ("U1", 0.4)])
def test_a_watt_shows_what_the_closed_form_says(ref: str, within: float) -> None:
    """The plate summed over ages and widths, against the well function (Hantush & Jacob 1955)."""
    line = line_of(simulated(None, duration_s=SECONDS).recording, demo_board())
    fit = find_heat(line).fit
    scale = line.mm_per_px
    assert fit is not None
    assert scale is not None
    place = next(p for p in line.places if p.ref == ref)
    scenery = Scenery(
        plate=to_plate(demo_board()),
        package=_body(line, place, scale),
        view=Viewing(mm_per_px=scale, psf_sigma_px=line.blur_px),
    )
    ours = _per_watt(scenery, fit, _field_of(line, fit), blur_px=line.blur_px)
    told = apparent_rise_k(scenery, t_s=np.array([SECONDS - ONSET_S]))[0]
    assert ours.rise_k == pytest.approx(told, rel=within)


def test_at_the_limit_a_short_is_seen_and_far_below_it_not(limit: DetectionLimit) -> None:
    """The practice bench solves the board as a grid of cells, not as a plate."""
    assert limit.power_w is not None
    seen = []
    for share in (1.5, 0.1):
        amps = float(np.sqrt(share * limit.power_w / SHORT_OHM))
        chances = [
            find(
                simulated("C18", amps=amps, duration_s=SECONDS, seed=seed).recording,
                board=demo_board(),
            ).false_alarm_probability
            for seed in range(30, 35)
        ]
        seen.append(sum(chance < FALSE_ALARM_LIMIT for chance in chances))
    assert seen[0] >= 4
    assert seen[1] == 0


def test_where_other_parts_are_restless_it_takes_more(monkeypatch: pytest.MonkeyPatch) -> None:
    """The SNR that noise of a scale s reaches seldom goes with s.

    u exp(-u^2 / 2) = a is solved by u^2 = -W(-a^2), W the lower branch of Lambert's function
    (Corless et al., Adv. Comput. Math. 5 (1996) 329).
    """
    made = simulated(None, duration_s=SECONDS).recording

    def power_w(scale: float) -> float:
        noise = PartNoise(scale=scale, tests=USUAL_TESTS)
        monkeypatch.setattr("hotspot.conclude.read_part_noise", lambda *a, **k: noise)
        told = find(made, board=demo_board()).limit
        assert told is not None
        assert told.power_w is not None
        return told.power_w

    roles = find_roles(demo_board(), rail="3V3")
    parts = sum(role in (Role.SHUNT, Role.LOAD) for role in roles)

    def by_others(scale: float) -> float:
        each = -np.log1p(-NOT_SELDOM) / (parts * USUAL_TESTS)
        return scale * float(np.sqrt(-lambertw(-(each**2), -1).real))

    by_theory = float(norm.isf(FALSE_ALARM_LIMIT / (TEMPLATES_PER_PLACE * parts)))
    needed = [max(by_theory, by_others(scale)) + float(norm.isf(0.1)) for scale in (1.0, 2.0)]
    ratio = needed[1] / needed[0]
    assert power_w(2.0) / power_w(1.0) == pytest.approx(ratio, rel=0.05)


def test_where_too_little_went_in_nothing_is_ruled_out(limit: DetectionLimit) -> None:
    assert limit.power_w is not None
    amps = float(np.sqrt(0.1 * limit.power_w / SHORT_OHM))
    told = find(simulated("C18", amps=amps, duration_s=SECONDS).recording, board=demo_board())
    assert told.verdict == CANNOT_TELL
    assert any("would have been seen from" in warning for warning in told.warnings)
    assert sum(s.probability for s in told.suspects) <= 0.5  # at most a hint


def test_the_power_that_went_in_is_held_against_the_limit() -> None:
    limit = DetectionLimit(rise_k=0.02, power_w=1e-3)
    assert too_little(limit, log(volts=0.5, amps=0.1)) is None
    sentence = too_little(limit, log(volts=0.02, amps=0.01))
    assert sentence is not None
    assert "0.2 mW" in sentence
    assert "1 mW" in sentence
    # A good rail takes little; one that is known to take nothing is not shorted.
    assert too_little(limit, log(volts=0.02, amps=0.02 / (2 * SHORTED_OHM))) is None
    assert too_little(limit, log(volts=1.0, amps=0.0)) is None
    assert too_little(limit, log(volts=np.nan, amps=np.nan)) is None
    assert too_little(DetectionLimit(rise_k=3.0, power_w=None), log(volts=0.02, amps=0.01)) is None
    # What no bench supply can make visible is not told in watts.
    blind = DetectionLimit(rise_k=1e9, power_w=2.6e7)
    assert too_little(blind, log(volts=1.0, amps=0.0)) == BLIND


def test_without_a_scale_kelvins_are_told_and_without_a_log_nothing() -> None:
    made = simulated(None, duration_s=SECONDS, seed=8).recording
    bare = find(replace(made, landmarks=np.zeros((0, 4))))
    assert bare.limit is not None
    assert bare.limit.power_w is None
    assert 0.003 < bare.limit.rise_k < 0.3
    assert finding_to_dict(bare)["detection_limit"]["power_w"] is None
    unlogged = find(replace(made, injection=None), board=demo_board())
    assert unlogged.limit is None
    assert "detection_limit" not in finding_to_dict(unlogged)


def test_the_limit_is_told_with_the_part_that_is_hardest_to_see(limit: DetectionLimit) -> None:
    assert limit.hardest in {p.ref for p in demo_board().parts}
    assert limit.power_w is not None
    assert limit.hardest_w is not None
    assert limit.hardest_w > limit.power_w


@pytest.mark.parametrize(
    ("power_w", "text"),
    [(4.2e-5, "0.042 mW"), (1e-3, "1 mW"), (0.0123, "12 mW"), (0.24, "240 mW"), (1.5, "1.5 W")],
)
def test_a_power_is_told_to_two_digits(power_w: float, text: str) -> None:
    assert power_words(power_w) == text
