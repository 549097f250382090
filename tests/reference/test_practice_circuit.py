"""The loop of supply, leads and short against worked examples."""

import math

import pytest

from hotspot.practice.circuit import Circuit, SupplySetting, measure_circuit, to_trace_ohm


# Ohm's and Joule's laws, textbook: (V, limit A, lead ohm, short ohm) -> (A, V at short, W, W lead)
@pytest.mark.parametrize(
    ("given", "expected"),
    [
        ((1, 3, 0.05, 0.01), (3, 0.03, 0.09, 0.45)),
        ((1, 3, 0.05, 0.2), (3, 0.6, 1.8, 0.45)),
        ((1, 3, 0.05, 1), (0.952381, 0.952381, 0.907029, 0.0453515)),
        ((1, 3, 0.05, 10), (0.0995025, 0.995025, 0.0990075, 0.000495037)),
        ((0.8, 2, 0.1, 0.1), (2, 0.2, 0.4, 0.4)),
        ((3.3, 1, 0.1, 0.5), (1, 0.5, 0.5, 0.1)),
        ((1.8, 5, 0.05, 0.05), (5, 0.25, 1.25, 1.25)),
    ],
)
def test_injection_shares_out_as_ohm_and_joule_say(given, expected):
    volts, limit, lead, short = given
    circuit = Circuit(lead_ohm=lead, trace_ohm=0.0, short_ref="C1", short_ohm=short)
    state = measure_circuit(circuit, SupplySetting(volts, limit, True))
    found = (state.amps, state.rail_v, state.short_w, state.leads_w)
    assert found == pytest.approx(expected, rel=1e-5)
    assert state.mode == ("current" if state.amps == pytest.approx(limit) else "voltage")
    assert state.total_w == pytest.approx(state.volts * state.amps, rel=1e-12)  # energy balance


# IEC 60028 copper at 20 °C, rho L/(w t): (w mm, L mm, t um) -> mohm
@pytest.mark.parametrize(
    ("w", "length", "t", "mohm"),
    [(0.25, 10, 35, 19.7040), (1, 100, 35, 49.2600), (0.15, 25, 18, 159.6389), (5, 50, 35, 4.9260)],
)
def test_trace_resistance(w, length, t, mohm):
    assert 1e3 * to_trace_ohm(length, width_mm=w, copper_um=t) == pytest.approx(mohm, rel=1e-5)


def test_maximum_power_theorem():
    # P in the short is greatest at R_short = R_lead: V²/4R = 5 W for 1 V, 50 mohm.
    def short_w(ohm):
        circuit = Circuit(lead_ohm=0.05, trace_ohm=0.0, short_ref="C1", short_ohm=ohm)
        return measure_circuit(circuit, SupplySetting(1.0, 100.0, True)).short_w

    assert short_w(0.05) == pytest.approx(5.0, rel=1e-9)
    assert max(short_w(0.04), short_w(0.0625)) < 5.0


def test_open_rail_draws_nothing_and_shows_the_set_voltage():
    state = measure_circuit(Circuit(short_ohm=math.inf), SupplySetting(3.3, 1.0, True))
    assert (state.amps, state.volts, state.rail_v, state.mode) == (0.0, 3.3, 3.3, "voltage")


def test_dead_short_takes_no_power_itself():
    circuit = Circuit(lead_ohm=0.1, trace_ohm=0.02, short_ref="C1", short_ohm=0.0)
    state = measure_circuit(circuit, SupplySetting(1.0, 2.0, True))
    assert (state.amps, state.short_w, state.rail_v) == (2.0, 0.0, 0.0)
    assert state.leads_w == pytest.approx(0.4)


def test_output_off_is_off():
    circuit = Circuit(short_ref="C1", short_ohm=0.1)
    state = measure_circuit(circuit, SupplySetting(1.0, 2.0, False))
    assert (state.amps, state.volts, state.total_w, state.mode) == (0.0, 0.0, 0.0, "off")
