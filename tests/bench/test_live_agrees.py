"""What the live view says at the end must be what the analysis of its own recording says."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from hotspot.bench.analysis_process import LiveAnalysis
from hotspot.bench.analyst import Analyst
from hotspot.bench.cameras import PracticeStand, practice_landmarks
from hotspot.bench.live_values import PALETTE_FRAMES, LiveValues
from hotspot.bench.suspicion import Case, Suspicion
from hotspot.bench.tape import Tape
from hotspot.evidence.words import named_suspect
from hotspot.files.boards import load_board
from hotspot.finding import Finding
from hotspot.jobs.analysis import analyse_recording
from hotspot.jobs.practice_job import sample_board
from hotspot.profile import CameraProfile, Values

SEED, RAIL, TRUTH, SET_V, LIMIT_A = 33, "3V3", "C3", 0.23, 0.98
COLD_S, HOT_S = 5.0, 4.0


def watch_and_record(folder: Path, *, nuisances: bool) -> tuple[Suspicion, Finding, int, int]:
    """One practice job on a clock of its own: frames go to the live analysis and onto a tape.

    Returns both answers, how many frames there were and how many of them were copies.
    """
    now_s = [0.0]

    def wait(seconds: float) -> None:
        now_s[0] += seconds

    board = load_board(sample_board())
    stand = PracticeStand(board, seed=SEED, clock=lambda: now_s[0], wait=wait)
    marks = practice_landmarks(board, seed=SEED)
    live = LiveAnalysis(1, stand.profile, Case(board=board, rail=RAIL, landmarks=marks))
    tape = Tape(folder, stand.profile, rail=RAIL, landmarks=marks)
    rng = np.random.default_rng(4)
    pattern = rng.integers(-1, 2, stand.profile.shape)
    before = None
    on = False
    frames = copies = 0
    while now_s[0] < COLD_S + HOT_S:
        frame = stand.read()
        counts, t_s = np.array(frame.counts), frame.t_s
        if nuisances:
            counts = counts.astype(np.int64)
            counts[40, 60] += 60  # a pixel with an offset
            counts[20, 20] = 5000  # a dead one
            if rng.random() < 0.05:
                counts[130, 180] += 30  # a blinking one
            if t_s > 7.6:
                counts += pattern  # a shutter event has changed every pixel's offset
            counts = counts.astype(np.uint16)
            if before is not None and (7.0 < t_s <= 7.6 or rng.random() < 0.2):
                counts = before  # the shutter is closed; the camera repeats itself
                copies += 1
            before = counts
        frames += 1
        if not on and t_s >= COLD_S:
            on = True
            stand.supply.set_point(SET_V, LIMIT_A)
            stand.supply.switch_on()
            live.take(("switch", True, t_s, {}))
            tape.switch(t_s, on=True, volts=SET_V, amps=LIMIT_A)
        live.take(("frame", counts, t_s))
        tape.frame(counts, t_s=t_s)
        tape.wait_for_room()
    tape.close()
    assert tape.lost == 0
    answer = live.answer()
    assert answer is not None
    batch = analyse_recording(folder, board_folder=sample_board()).finding
    return answer, batch, frames, copies


@pytest.mark.parametrize("nuisances", [False, True], ids=["quiet", "nuisances"])
def test_live_and_recording_name_the_same_part(tmp_path: Path, nuisances: bool) -> None:
    live, batch, frames, copies = watch_and_record(tmp_path / "recording", nuisances=nuisances)
    named = named_suspect(batch)
    assert live.verdict == batch.verdict == "hot spot"
    assert named is not None
    assert live.named == named.ref == TRUTH
    assert live.suspects[0][1] == pytest.approx(batch.suspects[0].probability, abs=0.02)
    np.testing.assert_allclose(live.spots[0][:2], batch.spots[0].xy_px, atol=0.1)
    # What the camera spoilt is counted as it was put in: copies, the closed shutter's (0.6 s at
    # some 30 Hz) told from the others, and three pixels.
    spoilt = live.spoilt
    assert spoilt is not None
    assert (spoilt.frames, spoilt.repeated + spoilt.shutter) == (frames, copies)
    assert spoilt.bad_pixels == (3 if nuisances else 0)
    assert (spoilt.shutter >= 15) is nuisances


def test_what_the_camera_gives_is_said_before_the_output_is_on() -> None:
    board = load_board(sample_board())
    now_s = [0.0]
    stand = PracticeStand(
        board, seed=SEED, clock=lambda: now_s[0], wait=lambda s: now_s.__setitem__(0, now_s[0] + s)
    )
    live = LiveAnalysis(1, stand.profile, Case(board=board, rail=RAIL))
    for i in range(90):
        frame = stand.read()
        counts = np.array(frame.counts)
        counts[20, 20] = 5000
        live.take(("frame", counts, frame.t_s))
        if i % 10 == 0:
            live.take(("frame", counts, frame.t_s + 0.001))
        if i == 0:
            assert live.answer() is None  # one picture says nothing of a camera
    answer = live.answer()
    assert answer is not None
    assert answer.verdict == ""
    assert answer.spoilt is not None
    assert (answer.spoilt.frames, answer.spoilt.repeated, answer.spoilt.shutter) == (99, 9, 0)
    assert answer.spoilt.bad_pixels == 1


def test_values_of_false_colour_video_lie_along_its_map() -> None:
    """Painted with OpenCV's own inferno map, read back to within a level (of 256)."""
    rng = np.random.default_rng(2)
    ramp = np.tile(np.linspace(10, 240, 64), (48, 1))
    of = LiveValues(CameraProfile("video", 64, 48, values=Values.PALETTE8))
    for _ in range(PALETTE_FRAMES + 1):
        assert of.is_ready is (of.note != "")
        levels = np.clip(np.rint(ramp + rng.normal(0, 2, ramp.shape)), 0, 255).astype(np.uint8)
        rgb = np.ascontiguousarray(cv2.applyColorMap(levels, cv2.COLORMAP_INFERNO)[:, :, ::-1])
        values = of.of(rgb)
    assert of.is_ready
    assert "inferno" in of.note
    assert values.dtype == np.float32
    np.testing.assert_allclose(values, levels, atol=1.0)


def test_holes_are_filled_and_counts_go_through_the_scale() -> None:
    of = LiveValues(CameraProfile("c", 4, 3, scale=0.01, offset=0.0))
    assert of.is_ready
    np.testing.assert_allclose(of.of(np.full((3, 4), 2500, np.uint16)), 25.0)
    floats = LiveValues(CameraProfile("f", 4, 3, values=Values.CELSIUS))
    picture = np.full((3, 4), 21.0, np.float32)
    picture[1, 1] = np.nan
    np.testing.assert_array_equal(floats.of(picture), np.full((3, 4), 21.0))


def test_the_analysis_gets_no_frames_while_it_rests_and_counts_those_it_lost(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("hotspot.bench.analyst.QUEUE_BYTES", 0)
    monkeypatch.setattr("hotspot.bench.analyst.QUEUE_FRAMES", 3)
    analyst = Analyst()  # its process is not started: nothing leaves the queue
    profile = CameraProfile("c", 4, 3, scale=0.01, offset=0.0)
    frame = np.zeros((3, 4), np.uint16)

    def waiting() -> int:
        return analyst._messages.qsize()

    analyst.begin(profile, case=Case())
    for i in range(5):
        analyst.frame(frame, t_s=float(i))
    assert (waiting(), analyst.lost) == (3, 3)
    analyst.switch(True, t_s=5.0)  # a switching is never lost
    assert waiting() == 4
    analyst.rest()
    analyst.frame(frame, t_s=6.0)
    assert (waiting(), analyst.lost) == (5, 3)
    analyst.begin(profile, case=Case())
    assert analyst.lost == 0
