import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hotspot.errors import InputError
from hotspot.rails.current_log import parse_current_log
from hotspot.rails.signature import build_signature, measure_signature
from hotspot.rails.triage import load_rules, triage, triage_to_dict


@pytest.mark.parametrize(
    ("before", "press", "later", "limit", "verdict"),
    [
        (2.0, None, (), 2.0, "main rail short"),
        (0.9, None, (), None, "main rail short"),
        (0.08, 0.3, (0.3,), None, "leakage"),
        (0.001, 0.001, (0.001,), 2.0, "no prompt to boot"),
        (0.001, 1.9, (2.0, 2.0), 2.0, "secondary rail short"),
        (0.001, 1.6, (1.6, 1.6), None, "secondary rail short"),
        (0.0, 0.12, (0.0, 0.0), None, "secondary rail short"),
        (0.001, 0.1, (0.001, 0.1, 0.001, 0.1, 0.001), None, "boot loop"),
        (0.001, 0.15, (0.4, 0.9, 0.3), 3.0, "normal"),
        (None, None, (), None, "cannot tell"),
    ],
)
def test_typed_signatures(before, press, later, limit, verdict) -> None:
    result = triage(build_signature(before_a=before, press_a=press, later_a=later, limit_a=limit))
    assert result.verdict == verdict
    assert result.next
    assert all(r.source for r in result.reasons)


def test_a_number_close_to_its_threshold_lowers_the_confidence() -> None:
    clear = triage(build_signature(before_a=1.5)).confidence
    close = triage(build_signature(before_a=0.31)).confidence
    assert close < 0.6 * clear


def test_nothing_measured_asks_for_the_first_measurement() -> None:
    result = triage(build_signature())
    assert result.confidence == 0.0
    assert "before the power button" in result.next
    assert set(result.missing) == {"before_a", "press_peak_a", "settled_a"}


def log(shape, rng, *, seconds=20.0, rate=10.0):
    t = np.arange(0, seconds, 1 / rate)
    return t, np.clip(shape(t) + rng.normal(0, 0.0005, t.size), 0, None)


def boot(t):
    return 0.001 + np.where(t > 4, 0.25 + 0.2 * np.sin(t) ** 2 + 0.3 * np.exp(-((t - 9) ** 2)), 0)


@pytest.mark.parametrize(
    ("shape", "press", "verdict"),
    [
        (lambda t: 1.2 + 0 * t, None, "main rail short"),
        (lambda t: 0.001 + 0 * t, 5.0, "no prompt to boot"),
        (lambda t: 0.001 + np.where((t > 4) & (t % 3 < 1.2), 0.15, 0.0), None, "boot loop"),
        (lambda t: 0.001 + np.where(t > 4, 1.5, 0.0), None, "secondary rail short"),
        (lambda t: 0.001 + np.where(t > 4, 0.06, 0.0), None, "boot stops early"),
        (boot, None, "normal"),
    ],
)
def test_logged_signatures(shape, press, verdict) -> None:
    t, a = log(shape, np.random.default_rng(5))
    assert triage(measure_signature(t, a, press_s=press)).verdict == verdict


def test_the_period_of_a_boot_loop_is_measured() -> None:
    t, a = log(
        lambda t: 0.001 + np.where(t % 3 < 1.2, 0.15, 0.0) * (t > 4), np.random.default_rng(1)
    )
    assert measure_signature(t, a).period_s == pytest.approx(3.0, abs=0.11)


def test_without_a_press_the_button_is_not_blamed() -> None:
    t, a = log(lambda t: 0.001 + 0 * t, np.random.default_rng(2))
    result = triage(measure_signature(t, a))
    assert result.verdict == "cannot tell"
    assert "Press the power button" in result.next


@pytest.mark.parametrize(
    "text",
    [
        "t_s,amps\n0,0.001\n1,0.25\n",
        "Time (ms);Current (mA)\n0;1,0\n1000;250,0\n",
        "time\tcurrent\n0\t0.001\n1\t0.25",
        "0 0.001\n1 0.25\n",
        "5,0.001\n6,0.25\n",
        "10:00:01.5,0.001\n10:00:02.5,0.25\n",
        "time;current\n2026-03-01T10:00:01;0,001\n2026-03-01T10:00:02;0,25\n",
        "t_s,on,volts,amps\n0,0,,\n0,1,3.8,0.001\n1,1,3.8,0.25\n",
    ],
)
def test_pasted_logs_in_many_dialects(text: str) -> None:
    found = parse_current_log(text)
    np.testing.assert_allclose(found.t_s, [0.0, 1.0])
    np.testing.assert_allclose(found.amps, [0.001, 0.25])


@pytest.mark.parametrize(
    ("text", "where"),
    [
        ("", "log"), ("t,amps\n", "log"), ("t,amps\n0,x\n", "line 2"),
        ("t,watts\n0,1\n1,1\n", "line 1"), ("1,0\n0,0\n", "log"), ("0,nan\n1,0\n", "log"),
    ],
)  # fmt: skip
def test_bad_logs_name_the_line(text: str, where: str) -> None:
    with pytest.raises(InputError, match=where):
        parse_current_log(text)


def test_a_shops_own_rules_are_used_and_checked() -> None:
    rule = """
    margin = 2
    [[rules]]
    id = "a"
    verdict = "leakage"
    confidence = 0.5
    all = [{ number = "before_a", at_least = 0.5 }]
    says = "{before_a:.2f}"
    next = "look"
    source = "our bench"
    """
    assert triage(build_signature(before_a=2.0), load_rules(rule)).reasons[0].says == "2.00"
    for bad in (
        "x = ",
        "rules = []",
        rule.replace('before_a"', 'colour"'),
        rule.replace("{before_a:.2f}", "{nothing}"),
        rule.replace("0.5\n", "7\n"),
    ):
        with pytest.raises(InputError):
            load_rules(bad)


def test_every_rule_has_a_source_and_can_fire_alone() -> None:
    for rule in load_rules().rules:
        assert rule.source
        assert rule.next
        assert 0 < rule.confidence < 1


def test_plain_data_has_the_agreed_keys() -> None:
    data = triage_to_dict(triage(build_signature(before_a=1.0)))
    assert {"format", "verdict", "confidence", "next", "reasons"} <= set(data)


def test_negative_current_is_the_callers_mistake() -> None:
    with pytest.raises(ValueError, match=r"before_a must be >= 0, got -1"):
        build_signature(before_a=-1.0)


def test_a_guessed_press_is_said() -> None:
    t, a = log(lambda t: np.where(t > 2, 1.5, 0.0), np.random.default_rng(3))
    assert "supply being connected" in triage_to_dict(triage(measure_signature(t, a)))["notes"][0]
    assert measure_signature(t, a, press_s=8.0).notes == ()
    assert triage(measure_signature(t, a, press_s=8.0)).signature.before_a == pytest.approx(
        1.5, abs=0.01
    )


def test_a_careful_current_limit_does_not_hide_a_short() -> None:
    assert triage(build_signature(before_a=0.05, limit_a=0.05)).verdict == "main rail short"


VERDICTS = {r.verdict for r in load_rules().rules} | {"cannot tell"}
amps = st.one_of(st.none(), st.floats(0, 10))


@given(amps, amps, st.lists(st.floats(0, 10), max_size=8), amps)
def test_whatever_is_typed_gets_one_of_the_known_answers(before, press, later, limit) -> None:
    result = triage(build_signature(before_a=before, press_a=press, later_a=later, limit_a=limit))
    assert result.verdict in VERDICTS
    assert 0 <= result.confidence <= 1
    assert result.next
    # A board that draws current before the button is never called normal.
    if before is not None and before >= 0.01:
        assert result.verdict != "normal"


@given(st.floats(1e-4, 1e3), st.integers(0, 99))
def test_the_unit_of_time_does_not_change_the_verdict(scale, seed) -> None:
    t, a = log(boot, np.random.default_rng(seed))
    assert triage(measure_signature(t * scale, a)).verdict == "normal"
