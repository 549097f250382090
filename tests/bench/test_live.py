"""The live view without a page: who has the camera, baseline, output, tape, alarm, unplugging."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from hotspot.bench.cameras import CameraChoice, CameraKind
from hotspot.bench.desk import GRACE_S, LiveDesk
from hotspot.bench.live import LiveView
from hotspot.bench.live_state import Bounds
from hotspot.bench.suspicion import Case
from hotspot.errors import CameraError
from hotspot.files.recorder import RecordingWriter
from hotspot.files.recordings import load_recording
from tests.bench.fake_camera import SHAPE, FakeBench, wait_until


@pytest.fixture
def bench() -> FakeBench:
    return FakeBench()


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("hotspot.bench.picture.BASELINE_S", 0.2)
    monkeypatch.setattr("hotspot.bench.live.RETRY_S", 0.05)
    # The analysis has its own test; here it would only take time.
    monkeypatch.setattr("hotspot.bench.analyst.Analyst.start", lambda self: None)


@pytest.fixture
def desk(bench: FakeBench) -> Iterator[LiveDesk]:
    one = LiveDesk(opener=bench.open)
    yield one
    one.take_over("end")
    one.close("end")


def open_view(desk: LiveDesk, owner: str = "tab", bounds: Bounds | None = None) -> LiveView:
    choice = CameraChoice(CameraKind.USB, "0")
    return desk.open(choice, owner=owner, job_id=1, case=Case(), bounds=bounds or Bounds())


def baseline(view: LiveView) -> None:
    wait_until(lambda: view.state().rate_hz > 0)
    view.take_baseline()
    wait_until(lambda: view.state().baseline == "taken")


def test_one_tab_works_the_camera(desk: LiveDesk, bench: FakeBench) -> None:
    open_view(desk, "one")
    with pytest.raises(CameraError, match="another tab"):
        open_view(desk, "two")
    assert desk.is_owner("one")
    desk.close("two")  # not theirs to close
    assert desk.view is not None
    desk.take_over("two")
    assert not desk.is_owner("one")
    desk.close("two")
    assert desk.view is None
    assert (bench.opened, bench.closed) == (1, 1)


def test_a_camera_that_nobody_looks_at_is_released(bench: FakeBench) -> None:
    now = [0.0]
    desk = LiveDesk(opener=bench.open, clock=lambda: now[0] + 0 * time.monotonic())
    view = open_view(desk)
    with desk.watching("tab", lambda: None):
        now[0] = 10 * GRACE_S
        time.sleep(0.1)
        assert view.is_open  # somebody looks
    now[0] += GRACE_S - 1
    time.sleep(0.1)
    assert view.is_open
    now[0] += 2
    wait_until(lambda: bench.closed == 1)
    assert desk.view is None


def test_a_recording_keeps_the_camera_but_not_for_ever(bench: FakeBench, tmp_path: Path) -> None:
    now = [0.0]
    desk = LiveDesk(opener=bench.open, clock=lambda: now[0])
    view = open_view(desk)
    view.begin_tape(tmp_path / "recording")
    now[0] = 10 * GRACE_S
    wait_until(lambda: view.state().recorded > 10)
    assert view.is_open
    now[0] = 1e5
    notes = tmp_path / "recording" / "recording.toml"
    wait_until(lambda: "complete = true" in notes.read_text())
    assert len(load_recording(tmp_path / "recording").t_s) > 5
    assert bench.closed == 1


def test_viewers_see_the_newest_picture_only(desk: LiveDesk) -> None:
    woken = threading.Event()
    with desk.watching("tab", woken.set):
        open_view(desk)
        assert woken.wait(5)
        assert desk.viewers == 1
        assert desk.is_owner_looking
        first = desk.newest
        assert first is not None
        wait_until(lambda: desk.newest is not None and desk.newest.number > first.number + 3)
    assert desk.viewers == 0
    assert not desk.is_owner_looking


def test_unplugged_and_plugged_in_again(desk: LiveDesk, bench: FakeBench) -> None:
    view = open_view(desk)
    baseline(view)
    bench.plugged = False
    wait_until(lambda: "cannot be opened" in view.state().problem)
    before = view.state().t_s
    bench.plugged = True
    wait_until(lambda: view.state().t_s > before + 0.05)
    state = view.state()
    assert state.problem == ""
    assert state.baseline == "taken"  # the same camera: the baseline is still good
    assert bench.opened >= 2


def test_a_recording_goes_on_after_the_camera_was_unplugged(
    desk: LiveDesk, bench: FakeBench, tmp_path: Path
) -> None:
    view = open_view(desk)
    wait_until(lambda: view.state().rate_hz > 0)
    view.begin_tape(tmp_path / "recording")
    wait_until(lambda: view.state().recorded > 20)
    bench.plugged = False
    wait_until(lambda: view.state().problem)
    time.sleep(0.4)
    before = view.state().recorded
    bench.plugged = True
    wait_until(lambda: view.state().recorded > before + 20)
    assert view.end_tape() is not None
    recording = load_recording(tmp_path / "recording")
    assert recording.complete
    assert len(recording.resumed_s) == 1
    first = int(np.searchsorted(recording.t_s, recording.resumed_s[0]))
    assert recording.t_s[first] == pytest.approx(recording.resumed_s[0])
    assert recording.t_s[first] - recording.t_s[first - 1] > 0.4


def test_a_slow_disk_does_not_hold_up_the_picture(
    desk: LiveDesk, bench: FakeBench, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    view = open_view(desk)
    wait_until(lambda: view.state().rate_hz > 0)
    seen: list[float] = []
    build = RecordingWriter.__init__

    def slow(self: RecordingWriter, *args: Any, **more: Any) -> None:
        before = view.state().t_s
        wait_until(lambda: view.state().t_s > before + 0.3)  # the picture goes on meanwhile
        seen.append(view.state().t_s - before)
        build(self, *args, **more)

    monkeypatch.setattr(RecordingWriter, "__init__", slow)
    view.begin_tape(tmp_path / "recording")
    assert seen[0] > 0.3


def test_a_wrong_choice_is_said_at_once(desk: LiveDesk, bench: FakeBench) -> None:
    bench.plugged = False
    with pytest.raises(CameraError, match="cannot be opened"):
        open_view(desk)
    assert desk.view is None


def test_the_rise_is_what_was_added(desk: LiveDesk, bench: FakeBench) -> None:
    view = open_view(desk)
    baseline(view)
    bench.hot = 300  # 3 K

    def has_settled() -> bool:
        shot = desk.newest
        if shot is None or shot.rise is None:
            return False
        return bool(abs(shot.rise[10, 20] - 3.0) < 0.15 and abs(shot.top - 3.3) < 0.33)

    wait_until(has_settled)  # 0.4 s smoothing
    shot = desk.newest
    assert shot is not None
    assert shot.rise is not None
    assert shot.rise[10, 20] == pytest.approx(3.0, abs=0.15)
    assert abs(float(np.median(shot.rise))) < 0.02
    assert shot.values[10, 20] == pytest.approx(28.0, abs=0.1)
    assert shot.top == pytest.approx(3.3, rel=0.1)  # a little above the peak


def test_the_alarm_is_raised_while_the_output_is_on(desk: LiveDesk, bench: FakeBench) -> None:
    view = open_view(desk, bounds=Bounds(max_pixel_c=40.0, max_rise_k=5.0))
    baseline(view)
    bench.hot = 1000  # 35 °C, 10 K: more than the plan allows
    time.sleep(0.3)
    assert view.state().alarm == ""  # the output is off: a hand, a lamp
    view.switch(True)
    wait_until(lambda: "The rise is" in view.state().alarm)
    bench.hot = 2000
    view.switch(False)
    view.switch(True)
    wait_until(lambda: "A pixel shows" in view.state().alarm)


def test_the_tape_holds_frames_and_switchings(desk: LiveDesk, tmp_path: Path) -> None:
    view = open_view(desk)
    baseline(view)
    view.begin_tape(tmp_path / "recording", note="a note")
    time.sleep(0.2)
    view.switch(True, volts=0.5, amps=0.3)
    time.sleep(0.2)
    view.switch(True)  # said twice: noted once
    view.switch(False)
    time.sleep(0.1)
    assert view.end_tape() == tmp_path / "recording"
    assert view.end_tape() is None
    recording = load_recording(tmp_path / "recording")
    log = recording.injection
    assert log is not None
    assert log.on.tolist() == [True, False]
    assert 0.1 < log.t_s[0] < 30.0  # since the tape began, however long a busy machine sleeps
    assert log.volts[0] == 0.5
    assert recording.complete
    assert len(recording.t_s) > 5  # fifty on an idle machine
    assert np.all(np.diff(recording.t_s) >= 0)
    assert log.t_s[0] < log.t_s[1] <= recording.t_s[-1] + 5
    chunk = next(iter(recording.source.chunks(4)))
    assert chunk.dtype == np.uint16
    assert 2500 <= int(chunk[0, 0, 0]) < 2511


def test_landmarks_clicked_while_recording_go_with_the_recording(
    desk: LiveDesk, tmp_path: Path
) -> None:
    view = open_view(desk)
    wait_until(lambda: view.state().rate_hz > 0)
    view.begin_tape(tmp_path / "recording")
    marks = np.array([[1.0, 2.0, 10.0, 20.0], [20.0, 2.0, 200.0, 20.0], [20.0, 15.0, 200.0, 150.0]])
    view.set_case(replace(view.case, landmarks=marks))
    wait_until(lambda: view.state().recorded > 20)
    view.end_tape()
    np.testing.assert_allclose(load_recording(tmp_path / "recording").landmarks, marks)


def test_false_colour_video_is_read_by_its_map(desk: LiveDesk, bench: FakeBench) -> None:
    bench.palette = cv2.COLORMAP_INFERNO
    view = open_view(desk)
    wait_until(lambda: "inferno" in view.state().note)
    baseline(view)
    assert view.state().unit == "levels"
    bench.hot = 100

    def rise() -> float:
        shot = desk.newest
        return 0.0 if shot is None or shot.rise is None else float(shot.rise[10, 20])

    # Levels along the map; by brightness it would be less (inferno is not linear in it).
    wait_until(lambda: rise() == pytest.approx(100, abs=3), 40)


def test_a_tape_is_never_written_over_another(desk: LiveDesk, tmp_path: Path) -> None:
    view = open_view(desk)
    wait_until(lambda: view.state().rate_hz > 0)
    view.begin_tape(tmp_path / "recording")
    time.sleep(0.1)
    view.end_tape()
    with pytest.raises(Exception, match="holds a recording already"):
        view.begin_tape(tmp_path / "recording")


def test_repeated_frames_are_no_new_frames(desk: LiveDesk, bench: FakeBench) -> None:
    class Same:
        def integers(self, *_: Any) -> Any:
            return np.zeros(SHAPE, np.int64)

    bench.rng = Same()  # type: ignore[assignment]
    view = open_view(desk)
    wait_until(lambda: view.state().rate_hz > 10)
    for _ in range(20):
        assert view.state().fresh_hz == 0
        time.sleep(0.01)


def test_a_camera_slow_to_open_does_not_shift_the_log(bench: FakeBench) -> None:
    """Frames count from the moment the camera has opened, and so must the switching times."""

    def slow(*_: Any, **__: Any) -> Any:
        time.sleep(0.6)
        return bench.open()

    desk = LiveDesk(opener=slow)
    view = open_view(desk)
    wait_until(lambda: view.state().t_s > 0.2)
    # A frame may be late; a log that counted the opening would never come nearer than 0.6 s.
    wait_until(lambda: abs(view.now_s() - view.state().t_s) < 0.2)
    desk.close("tab")
