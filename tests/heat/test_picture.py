"""Pictures for people: rise, source, time course."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import fft

from hotspot.find import find
from hotspot.heat.picture import source_map
from tests.heat.made_frames import Made, lumped, recording
from tests.locate.white_field import gaussian

MADE = Made(peak_k=0.4)


def test_the_source_map_undoes_a_known_spread() -> None:
    """Two sources 8 px apart, spread over 4 px: one hill before, two after."""
    shape, padded = (48, 70), (72, 96)
    y, x = np.mgrid[: padded[0], : padded[1]]
    dy, dx = np.minimum(y, padded[0] - y), np.minimum(x, padded[1] - x)
    kernel = np.exp(-0.5 * (dx**2 + dy**2) / 4.0**2)
    transfer = fft.rfft2(kernel).real[None].astype(np.float32)
    spread = gaussian(shape, (30, 24), 4.0) + gaussian(shape, (38, 24), 4.0)
    source = source_map(
        spread[None].astype(np.float32),
        transfer=transfer,
        inverse_noise=np.ones((1, 1, *transfer.shape[1:]), np.float32),
        padded=padded,
    )
    row = source[24]
    assert row[34] < 0.75 * min(row[30], row[38])
    assert spread[24, 34] > spread[24, 30]
    peak = np.unravel_index(np.argmax(source), shape)
    assert peak[0] == 24
    assert peak[1] in (29, 30, 31, 37, 38, 39)


def test_the_rise_and_its_error_bar_are_true() -> None:
    """Pull of the picture far from the spot has spread 1, and the peak is the rise."""
    heat = find(recording(MADE)).heat
    far = gaussian(heat.rise_k.shape, MADE.xy_px, 8.0) < 1e-2
    assert np.std(heat.rise_k[far] / heat.sigma_k[far]) == pytest.approx(1.0, abs=0.15)
    y, x = 20, 40
    late = lumped(np.array([MADE.seconds]), MADE.edges_s, MADE.tau_s)[0] * MADE.peak_k
    meant = late * gaussian(heat.rise_k.shape, MADE.xy_px, MADE.sigma_px)[y, x]
    assert heat.rise_k[y, x] == pytest.approx(meant, abs=4 * heat.sigma_k[y, x] + 0.05 * meant)


def test_the_time_course_follows_the_part_and_the_fit_follows_the_course() -> None:
    heat = find(recording(replace(MADE, seed=3))).heat
    meant = lumped(heat.trace_t_s, MADE.edges_s, MADE.tau_s)
    assert np.corrcoef(heat.trace_k, meant)[0, 1] > 0.98
    assert np.corrcoef(heat.trace_fit_k, meant)[0, 1] > 0.99
    scatter = np.std(heat.trace_k - heat.trace_fit_k)
    assert scatter < 0.2 * np.ptp(heat.trace_fit_k)


def test_without_a_spot_there_is_no_time_course() -> None:
    heat = find(recording(replace(MADE, peak_k=0.0, seed=4))).heat
    assert len(heat.trace_t_s) == 0
    assert heat.valid.any()


@pytest.mark.parametrize("peak_k", [MADE.peak_k, 4.0])
def test_the_fit_runs_through_the_course_however_strong_the_heat(peak_k: float) -> None:
    """What drift removal took of strong heat, in step, the fit has back; so has the course."""
    heat = find(recording(replace(MADE, peak_k=peak_k, seed=3))).heat
    apart = heat.trace_k - heat.trace_fit_k
    for sixth in np.array_split(apart, 6):
        assert abs(float(sixth.mean())) < 0.03 * np.ptp(heat.trace_fit_k)
