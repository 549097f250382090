"""Frame by frame and all at once must say the same."""

from __future__ import annotations

import threading
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from hotspot.files.recorder import save_recording
from hotspot.files.recordings import load_recording
from hotspot.find import find, find_gathered
from hotspot.finding import CANNOT_TELL, HOT_SPOT
from hotspot.frame import ArraySource, Recording
from hotspot.heat import bins as bins_module
from hotspot.heat.audit import FrameAudit, audit_frames
from hotspot.heat.live import LiveHeat
from hotspot.heat.values import value_converter
from hotspot.profile import CameraProfile
from tests.heat.made_frames import Made, counts, lumped, profile, recording, spot, times

MADE = Made()


def watched(source: Recording, *, audit: FrameAudit | None = None) -> LiveHeat:
    """The recording as a live view would have met it: frames and switchings in order of time."""
    live = LiveHeat(source.profile)
    to_values = value_converter(source)
    log = source.injection
    waiting = [] if log is None else list(zip(log.t_s, log.on, log.volts, log.amps, strict=True))
    index = 0
    for chunk in source.source.chunks(50):
        for values in to_values(chunk):
            t = float(source.t_s[index])
            while waiting and waiting[0][0] <= t:
                at, on, volts, amps = waiting.pop(0)
                live.switch(bool(on), t_s=at, volts=volts, amps=amps)
            if audit is None:
                live.add(values, t_s=t)
            else:
                used, segment = bool(audit.used[index]), int(audit.segment[index])
                live.add(values, t_s=t, used=used, segment=segment)
            index += 1
    return live


def with_copies(frames: np.ndarray, rng: np.random.Generator, share: float = 0.3) -> np.ndarray:
    out = frames.copy()
    for i in range(1, len(out)):
        if rng.random() < share:
            out[i] = out[i - 1]
    return out


@pytest.mark.parametrize("container", ["npy", "tif", "mkv"])
def test_live_and_batch_agree_whatever_the_container(container: str, tmp_path: Path) -> None:
    frames = with_copies(counts(MADE), np.random.default_rng(5))
    save_recording(recording(MADE, frames), tmp_path / "r", container=container)
    source = load_recording(tmp_path / "r")
    audit = audit_frames(source, to_values=value_converter(source))
    assert audit.repeated.sum() > 30
    batch = find(source)
    live = find_gathered(watched(source, audit=audit).snapshot(bad=audit.bad))
    assert batch.verdict == live.verdict == HOT_SPOT
    assert live.false_alarm_probability == pytest.approx(batch.false_alarm_probability, rel=1e-6)
    assert len(batch.spots) == len(live.spots)
    for a, b in zip(batch.spots, live.spots, strict=True):
        np.testing.assert_allclose(b.xy_px, a.xy_px, atol=1e-6)
        np.testing.assert_allclose(b.cov_px2, a.cov_px2, rtol=1e-6)
        assert b.snr == pytest.approx(a.snr, rel=1e-6)
    np.testing.assert_allclose(live.heat.rise_k, batch.heat.rise_k, atol=1e-7)
    assert live.frames.used == batch.frames.used


def test_left_to_itself_it_sees_copies_as_the_batch_does() -> None:
    frames = with_copies(counts(MADE), np.random.default_rng(6))
    source = recording(MADE, frames)
    audit = audit_frames(source, to_values=value_converter(source))
    gathered = watched(source).snapshot()
    np.testing.assert_array_equal(gathered.audit.used, audit.used)
    assert gathered.audit.segment.max() == 0
    assert not gathered.audit.bad.any()


def test_bins_paired_for_want_of_room_hold_the_same_sums(monkeypatch: pytest.MonkeyPatch) -> None:
    """60 s in at most 32 bins: paired three times; sums, times, counts as added up directly."""
    monkeypatch.setattr(bins_module, "BUDGET_BYTES", 1)
    made = replace(MADE, seconds=60.0, rows=20, cols=26)
    source = recording(made)
    gathered = watched(source).snapshot()
    bins = gathered.bins
    assert len(bins.frames) <= 32
    assert bins.frames.sum() == len(source.t_s)
    values = value_converter(source)(counts(made)).astype(np.float64)
    values = values.reshape(len(values), -1)
    for b in range(len(bins.frames)):
        inside = bins.bin_of_frame == b
        assert inside.sum() == bins.frames[b]
        assert bins.t_s[b] == pytest.approx(source.t_s[inside].mean(), abs=1e-9)
        mean = values[inside].mean(axis=0) - values[0]
        np.testing.assert_allclose(bins.values[b], mean, atol=2e-6)


def test_a_snapshot_does_not_disturb_what_follows() -> None:
    source = recording(MADE)
    asked, quiet = LiveHeat(source.profile), LiveHeat(source.profile)
    values = value_converter(source)(counts(MADE))
    for i, picture in enumerate(values):
        for live in (asked, quiet):
            live.add(picture, t_s=float(source.t_s[i]))
        if i % 37 == 36:
            asked.snapshot().bins.values[:] = 7.0  # what find does to them is its own affair
    a, b = asked.snapshot().bins, quiet.snapshot().bins
    np.testing.assert_array_equal(a.values, b.values)


def test_snapshots_from_another_thread_are_whole(monkeypatch: pytest.MonkeyPatch) -> None:
    """Frames of one value each: every bin of every snapshot must be exactly that value."""
    monkeypatch.setattr(bins_module, "BUDGET_BYTES", 1)
    live = LiveHeat(CameraProfile("steady", 34, 20))
    done = threading.Event()

    def feed() -> None:
        for i in range(4000):
            live.add(np.full((20, 34), 20.0 + (i % 2), np.float32), t_s=i / 8)
        done.set()

    thread = threading.Thread(target=feed)
    thread.start()
    asked = 0
    while not done.is_set() or asked == 0:
        if len(live) < 10:
            continue
        gathered = live.snapshot()
        n = len(gathered.audit.t_s)
        assert gathered.bins.frames.sum() == n
        expected = gathered.bins.binned((np.arange(n) % 2).astype(float))
        np.testing.assert_allclose(
            gathered.bins.values, expected[:, None] * np.ones(20 * 34), atol=1e-6
        )
        asked += 1
    thread.join()


def test_the_cost_in_memory_stands_still(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bins_module, "BUDGET_BYTES", 1)
    live = LiveHeat(CameraProfile("long", 30, 18))
    held = []
    rng = np.random.default_rng(8)
    pictures = rng.normal(25, 0.05, (16, 18, 30)).astype(np.float32)
    for i in range(6000):
        live.add(pictures[i % 16], t_s=i / 9)
        if i % 500 == 499:
            held.append(len(live.snapshot().bins.frames))
    assert max(held) <= 32


def test_a_freeze_far_longer_than_the_usual_copies_begins_a_segment() -> None:
    rng = np.random.default_rng(9)
    frames = rng.normal(25, 0.05, (90, 24, 31)).astype(np.float32)
    frames[40:46] = frames[39]  # 6 copies at 9 Hz: 0.67 s
    frames[46:] += rng.normal(0, 0.05, (24, 31)).astype(np.float32)
    live = LiveHeat(CameraProfile("shutter", 31, 24))
    for i, picture in enumerate(frames):
        live.add(picture, t_s=i / 9)
    audit = live.snapshot().audit
    assert audit.segment[39] == 0
    assert audit.segment[46] == 1
    assert list(np.flatnonzero(audit.shutter)) == list(range(40, 46))
    assert not audit.repeated.any()


def test_a_freeze_that_changes_nothing_is_a_run_of_copies() -> None:
    rng = np.random.default_rng(13)
    frames = rng.normal(25, 0.05, (90, 24, 31)).astype(np.float32)
    frames[40:46] = frames[39]
    live = LiveHeat(CameraProfile("stalled", 31, 24))
    for i, picture in enumerate(frames):
        live.add(picture, t_s=i / 9)
    audit = live.snapshot().audit
    assert audit.segment.max() == 0
    assert audit.repeated.sum() == 6


def test_a_camera_that_repeats_all_the_time_has_no_shutter_events() -> None:
    rng = np.random.default_rng(10)
    live = LiveHeat(CameraProfile("slow inside", 31, 24))
    for i in range(90):
        picture = rng.normal(25, 0.05, (24, 31)).astype(np.float32)
        for copy in range(3):  # 25 Hz delivered, 8 Hz seen
            live.add(picture, t_s=(3 * i + copy) / 25)
    audit = live.snapshot().audit
    assert audit.segment.max() == 0
    assert audit.repeated.sum() == 180


def test_the_picture_for_the_eye_shows_rise_without_drift() -> None:
    made = replace(MADE, noise_k=0.0, peak_k=2.0, drift_k=1.0)
    source = recording(made)
    rise = watched(source).rise_k()
    # The mean of the drift over the cold 8 s is in the cold picture; the rest is common level.
    expected = made.peak_k * lumped(times(made)[-1:], made.edges_s, made.tau_s)[0] * spot(made)
    np.testing.assert_allclose(rise, expected, atol=0.02)


def test_holes_in_the_picture_stay_holes_of_one_frame() -> None:
    rng = np.random.default_rng(11)
    live = LiveHeat(CameraProfile("holes", 31, 24))
    for i in range(60):
        picture = rng.normal(25, 0.05, (24, 31)).astype(np.float32)
        if i == 30:
            picture[3, 4] = np.nan
        picture[7, 8] = np.nan
        live.add(picture, t_s=i / 9)
    gathered = live.snapshot()
    assert np.isfinite(gathered.bins.values).all()
    assert np.isfinite(live.rise_k()).sum() >= 24 * 31 - 1
    assert gathered.audit.bad[7, 8]
    assert not gathered.audit.bad[3, 4]


def test_a_logged_output_that_was_never_on_cannot_tell() -> None:
    live = LiveHeat(profile(MADE))
    live.switch(False, t_s=0.0)
    rng = np.random.default_rng(12)
    for i in range(60):
        live.add(rng.normal(25, 0.05, (MADE.rows, MADE.cols)).astype(np.float32), t_s=i / 9)
    assert find_gathered(live.snapshot()).verdict == CANNOT_TELL


def test_misuse_is_refused_and_a_clock_that_runs_back_is_mended() -> None:
    live = LiveHeat(CameraProfile("small", 31, 24))
    with pytest.raises(ValueError, match=r"shape \(24, 31\)"):
        live.add(np.zeros((31, 24), np.float32), t_s=0.0)
    with pytest.raises(ValueError, match="no frame"):
        live.snapshot()
    for i, t in enumerate((0.0, 1.0, 0.5, 2.0)):
        live.add(np.full((24, 31), float(i), np.float32), t_s=t)
    t_s = live.snapshot().audit.t_s
    assert np.all(np.diff(t_s) > 0)
    assert t_s[-1] == 2.0


def test_the_end_of_a_live_view_is_a_recording_too() -> None:
    """An array source with the same frames, found the ordinary way, names the same place."""
    frames = counts(MADE)
    source = replace(recording(MADE), source=ArraySource(frames))
    live = find_gathered(watched(source).snapshot())
    batch = find(source)
    np.testing.assert_allclose(live.spots[0].xy_px, batch.spots[0].xy_px, atol=0.02)
    np.testing.assert_allclose(live.spots[0].xy_px, MADE.xy_px, atol=0.6)
