"""Which of several explanations of a recording without a log holds."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from hotspot import switched
from hotspot.board import Board
from hotspot.find import find
from hotspot.finding import HOT_SPOT
from hotspot.frame import ArraySource, Recording
from hotspot.heat.audit import audit_frames
from hotspot.heat.drive import drive_from_edges
from hotspot.heat.gather import Gathered, gather_bins
from hotspot.heat.heatmap import Switching
from hotspot.heat.switching import BELIEVE, CONSIDER, SwitchingEstimate
from hotspot.heat.values import value_converter
from hotspot.line import Line, build_line, switchings_of
from hotspot.switched import Evidence, choose_switching
from tests.line.test_find import demo_board, simulated

ONSET_S = 14.0
# The draught: where no part of the rail is, wider than a small part's heat, on and off again.
DRAUGHT_XY, DRAUGHT_SIGMA_PX, DRAUGHT_S = (88.0, 25.0), 4.0, (5.0, 20.0)


def line_of(recording: Recording, board: Board | None) -> Line:
    to_values = value_converter(recording)
    audit = audit_frames(recording, to_values=to_values)
    bins = gather_bins(recording, audit, to_values=to_values)
    return build_line(Gathered(recording=recording, audit=audit, bins=bins), board=board)


def with_draught(recording: Recording, *, peak_k: float) -> Recording:
    """A smooth patch that warms and cools at times of its own, within a second."""
    frames = np.concatenate(list(recording.source.chunks(64))).astype(np.float64)
    y, x = np.mgrid[: frames.shape[1], : frames.shape[2]]
    far2 = (x - DRAUGHT_XY[0]) ** 2 + (y - DRAUGHT_XY[1]) ** 2
    patch = np.exp(-0.5 * far2 / DRAUGHT_SIGMA_PX**2)
    on, off = (1 - np.exp(-np.maximum(recording.t_s - at, 0.0)) for at in DRAUGHT_S)
    frames += (peak_k / recording.profile.scale * (on - off))[:, None, None] * patch
    return replace(recording, source=ArraySource(np.round(frames).astype(np.uint16)))


@cache
def draughty() -> tuple[Recording, float]:
    """A weak short of C18 and a draught of 0.15 K; with them the short's largest rise, K."""
    made = simulated("C18", amps=0.15, edges_s=(ONSET_S,), logged=False, duration_s=30.0)
    return with_draught(made.recording, peak_k=0.15), float(made.truth.rise_k.max())


def test_of_a_short_and_a_draught_both_are_proposed_and_the_short_is_chosen() -> None:
    recording, rise_k = draughty()
    assert rise_k < 0.15 / 2
    line = line_of(recording, demo_board())
    proposed = switchings_of(line)
    significances = [p.switching.significance for p in proposed]
    assert significances == sorted(significances)
    assert significances[0] <= BELIEVE
    assert significances[-1] <= CONSIDER
    # A weak step's off may be taken for one in the last moments: the onset is what counts.
    onsets = np.array([p.switching.onset_s for p in proposed])
    assert np.abs(onsets - DRAUGHT_S[0]).min() < 1.0
    assert np.abs(onsets - ONSET_S).min() < 1.0
    chosen, fit = choose_switching(line, proposed)
    assert chosen.switching.onset_s == pytest.approx(ONSET_S, abs=1.0)
    # The fit is of the chosen one.
    alone, its_fit = choose_switching(line, (chosen,))
    assert alone is chosen
    assert fit is not None
    assert its_fit is not None
    np.testing.assert_allclose(fit.maps, its_fit.maps, atol=1e-5)


def test_the_short_is_named_beside_the_draught() -> None:
    finding = find(draughty()[0], board=demo_board())
    assert finding.verdict == HOT_SPOT
    assert finding.suspects[0].ref == "C18"
    assert finding.switching.source == "estimated"
    assert finding.switching.onset_s == pytest.approx(ONSET_S, abs=1.0)


@pytest.mark.parametrize("amps", [0.3, 1.0])
@pytest.mark.parametrize(
    "edges_s",
    [
        (20.0, 22.5, 24.0, 26.0, 27.0, 29.5),
        (12.0, 15.0, 30.0, 38.0, 40.0, 41.5, 60.0, 63.0),
    ],
)
def test_pulses_that_keep_no_time_are_followed(edges_s: tuple[float, ...], amps: float) -> None:
    """A hand on a switch: neither a step nor a train explains half of what it does."""
    made = simulated("C18", amps=amps, edges_s=edges_s, logged=False, duration_s=70.0)
    finding = find(made.recording, board=demo_board())
    assert finding.verdict == HOT_SPOT
    assert finding.suspects[0].ref == "C18"
    np.testing.assert_allclose(finding.switching.edges_s, edges_s, atol=0.8)


def test_without_a_part_map_the_surest_stands() -> None:
    line = line_of(draughty()[0], None)
    assert line.on_rail == ()
    first = SwitchingEstimate(
        Switching(source="estimated", edges_s=DRAUGHT_S, onset_s=DRAUGHT_S[0], significance=1e-6),
        drive_from_edges(DRAUGHT_S),
        trials=1.0,
    )
    second = SwitchingEstimate(
        Switching(source="estimated", edges_s=(ONSET_S,), onset_s=ONSET_S, significance=1e-4),
        drive_from_edges((ONSET_S,)),
        trials=1.0,
    )
    chosen, fit = choose_switching(line, (first, second))
    assert chosen is first
    assert fit is not None


@pytest.mark.parametrize(("chances", "chosen"), [((0.05, 2.7e-5), 1), ((0.05, 0.04), 0)])
def test_how_seldom_noise_explains_a_course_counts_beside_the_heat_at_a_part(
    chances: tuple[float, float], chosen: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Pads that wander follow one step or another; e^29 against e^24 at the parts is not all."""
    line = line_of(draughty()[0], demo_board())
    proposed = tuple(
        SwitchingEstimate(
            Switching(source="estimated", edges_s=at, onset_s=at[0], significance=chance),
            drive_from_edges(at),
            trials=1.0,
        )
        for at, chance in zip(((14.0,), (13.0, 20.0)), chances, strict=True)
    )
    part = line.on_rail[0]
    evidence = iter([Evidence(part, 29.0, 24.0, away=0.0), Evidence(part, 24.0, 18.0, away=0.0)])
    monkeypatch.setattr(switched, "evidence_of", lambda line, fit: next(evidence))
    monkeypatch.setattr(switched, "seen_again", lambda *_, **__: ())
    assert choose_switching(line, proposed)[0] is proposed[chosen]


def test_what_many_places_do_is_not_preferred(monkeypatch: pytest.MonkeyPatch) -> None:
    """A room that wanders is at a part of the rail as well, more strongly than a weak short."""
    line = line_of(draughty()[0], demo_board())
    proposed = tuple(
        SwitchingEstimate(
            Switching(source="estimated", edges_s=at, onset_s=at[0], significance=1e-3),
            drive_from_edges(at),
            trials=1.0,
        )
        for at in ((14.0,), (13.0, 20.0))
    )
    part = line.on_rail[0]
    evidence = iter([Evidence(part, 57.0, 52.0, away=50.0), Evidence(part, 45.0, 38.0, away=-1.0)])
    monkeypatch.setattr(switched, "evidence_of", lambda line, fit: next(evidence))
    monkeypatch.setattr(switched, "seen_again", lambda *_, **__: ())
    assert choose_switching(line, proposed)[0] is proposed[1]


def test_what_was_written_down_is_the_only_proposal() -> None:
    line = line_of(simulated("C18").recording, demo_board())
    (known,) = switchings_of(line)
    assert known.switching.source != "estimated"
    assert known.switching.edges_s == pytest.approx((6.0,), abs=1e-6)
    assert known.trials == 1.0
    chosen, fit = choose_switching(line, (known,))
    assert chosen is known
    assert fit is not None


def test_where_nothing_moves_there_is_nothing_to_choose() -> None:
    line = line_of(simulated(None, logged=False, seed=3).recording, demo_board())
    (nothing,) = switchings_of(line)
    assert nothing.switching.edges_s == ()
    assert nothing.switching.onset_s is None
    assert nothing.switching.significance == 1.0
    assert choose_switching(line, (nothing,)) == (nothing, None)


def test_a_switching_that_left_no_trace_has_no_fit() -> None:
    line = line_of(simulated(None, logged=False, seed=3).recording, demo_board())
    late = SwitchingEstimate(
        Switching(source="estimated", edges_s=(400.0,), onset_s=400.0, significance=0.01),
        drive_from_edges((400.0,)),
        trials=1.0,
    )
    assert choose_switching(line, (late,)) == (late, None)


@pytest.mark.parametrize("fault", [np.linalg.LinAlgError, ValueError])
def test_a_fault_of_the_arithmetic_is_not_taken_for_a_switching_without_trace(
    fault: type[ValueError], monkeypatch: pytest.MonkeyPatch
) -> None:
    """NumPy's is a ValueError too: swallowed, it would hide a short for good."""
    line = line_of(simulated(None, logged=False, seed=3).recording, demo_board())
    proposed = SwitchingEstimate(
        Switching(source="estimated", edges_s=(9.0,), onset_s=9.0, significance=1e-6),
        drive_from_edges((9.0,)),
        trials=1.0,
    )

    def refuses(*_: object, **__: object) -> None:
        raise fault("made here")

    monkeypatch.setattr(switched, "fit_heat", refuses)
    if fault is ValueError:
        assert choose_switching(line, (proposed,)) == (proposed, None)
        return
    with pytest.raises(np.linalg.LinAlgError):
        choose_switching(line, (proposed,))


@pytest.mark.parametrize("complement", [True, False])
def test_its_complement_is_not_akin_to_a_settled_switching(
    complement: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On where the other is off: where heat is too strong to be described, its rim follows that."""
    made = simulated("C18", edges_s=(8.0, 20.0), logged=False, duration_s=30.0)
    line = line_of(made.recording, demo_board())
    other = (0.2, 8.1, 20.1) if complement else (8.1, 20.1, 28.0)
    first, second = (
        SwitchingEstimate(
            Switching(source="estimated", edges_s=edges, onset_s=edges[0], significance=chance),
            drive_from_edges(edges),
            trials=1.0,
        )
        for edges, chance in (((8.0, 20.0), 1e-60), (other, 1e-3))
    )
    part = line.on_rail[0]
    told = iter(
        [
            Evidence(part, at_part=12_500.0, elsewhere=12_500.0, away=300.0),
            Evidence(part, at_part=18_000.0, elsewhere=18_000.0, away=300.0),
        ]
    )
    monkeypatch.setattr(switched, "evidence_of", lambda line, fit: next(told))
    monkeypatch.setattr(switched, "_strongest_snr", lambda line, fit: 140.0)
    chosen, _ = choose_switching(line, (first, second))
    assert chosen is (first if complement else second)
