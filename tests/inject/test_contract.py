"""The JSON of ``hotspot plan --json``: the keys and types that other programs rely on.

The shape below is the published format 1, written out here by hand: every key must be there with
its type, in every case; further keys are allowed, changed ones are not.
"""

from __future__ import annotations

import json
import math
from typing import Any

import pytest

from hotspot.cli.main import main

NUMBER, NULL = "number", "null"
FORMAT_1: dict[str, Any] = {
    "format": NUMBER,
    "set_v": NUMBER,
    "limit_a": NUMBER,
    "limited_by": "text",
    "expected": {
        "amps": NUMBER,
        "rail_v": NUMBER,
        "mode": {"current", "voltage"},
        "power_w": dict.fromkeys(("fault", "series", "trace", "leads", "total"), NUMBER),
        "delta_k": dict.fromkeys(("1 s", "5 s", "steady"), NUMBER),
        "visible_after_s": (NUMBER, NULL),
        "pulsed_visible_after_s": (NUMBER, NULL),
    },
    "ladder": [{"set_v": NUMBER, "limit_a": NUMBER, "hold_s": NUMBER}],
    "limits": [
        {"name": "text", "quantity": {"volts", "amps", "watts"}, "value": NUMBER, "source": "text"}
    ],
    "cautions": ["text"],
    "refused": ("text", NULL),
}
CASES = {
    "ordinary": ["--nominal-v", "0.9", "--ohms", "0.05", "--package", "0402"],
    "zero reading": ["--nominal-v", "3.3", "--ohms", "0.0"],
    "partial short": ["--nominal-v", "5", "--ohms", "12"],
    "leak": ["--nominal-v", "3.8", "--ohms", "4.7k"],
    "large leak": ["--nominal-v", "12", "--ohms", "90k"],
    "every option": [
        "--nominal-v", "1.1", "--max-v", "1.2", "--ohms", "0.25", "--lead-ohms", "0.2",
        "--supply-max-v", "30", "--supply-max-a", "5", "--lead-awg", "20", "--lead-m", "0.8",
        "--series-ohm", "0.02", "--series-max-a", "2", "--trace-width-mm", "0.5",
        "--trace-um", "35", "--trace-mm", "12", "--package", "0402", "--max-power-w", "0.4",
        "--netd-mk", "60", "--mm-per-px", "0.2", "--ambient-c", "21",
    ],
    "unseen": ["--nominal-v", "3.3", "--ohms", "20k", "--netd-mk", "5000", "--mm-per-px", "5"],
}  # fmt: skip
REFUSED = {
    "no nominal": ["--ohms", "0.1"],
    "above 60 V": ["--nominal-v", "61", "--ohms", "0.1"],
    "over range": ["--nominal-v", "3.3", "--ohms", "OL"],
    "healthy": ["--nominal-v", "3.3", "--ohms", "95", "--healthy-ohm", "100"],
    "battery": ["--nominal-v", "3.3", "--ohms", "0.1", "--battery-connected"],
    "negative": ["--nominal-v", "3.3", "--ohms", "-3"],
    "negative nominal": ["--nominal-v", "-3.3", "--ohms", "3"],
    "leads larger": ["--nominal-v", "3.3", "--ohms", "0.2", "--lead-ohms", "0.9"],
    "poor supply": ["--nominal-v", "3.3", "--ohms", "0.2", "--supply-error-v", "4"],
    "nothing": [],
}


def plan_json(capsys, arguments: list[str]) -> dict[str, Any]:
    with pytest.raises(SystemExit) as stop:
        main(["plan", *arguments, "--json"])
    said = capsys.readouterr()
    assert (stop.value.code, said.err) == (0, "")

    def no_constant(text: str) -> float:
        raise ValueError(f"{text} is no JSON")

    data = json.loads(said.out, parse_constant=no_constant)
    assert isinstance(data, dict)
    return data


def check(found: Any, wanted: Any, where: str = "plan") -> None:
    if isinstance(wanted, dict):
        assert isinstance(found, dict), where
        assert set(wanted) <= set(found), f"{where}: {set(wanted) - set(found)} missing"
        for key, inner in wanted.items():
            check(found[key], inner, f"{where}.{key}")
    elif isinstance(wanted, list):
        assert isinstance(found, list), where
        for number, item in enumerate(found):
            check(item, wanted[0], f"{where}[{number}]")
    elif isinstance(wanted, set):
        assert found in wanted, f"{where}: {found!r}"
    elif isinstance(wanted, tuple):
        check(found, wanted[0] if found is not None else wanted[1], where)
    elif wanted == NUMBER:
        assert type(found) in (int, float), where
        assert 0 <= found < math.inf, f"{where}: {found!r}"
    elif wanted == NULL:
        assert found is None, where
    else:
        assert type(found) is str, where
        assert found.strip() == found, where


@pytest.mark.parametrize("name", CASES)
def test_a_plan_has_the_published_shape(capsys, name: str) -> None:
    data = plan_json(capsys, CASES[name])
    check(data, FORMAT_1)
    assert (data["format"], data["refused"]) == (1, None)
    assert data["ladder"][-1]["set_v"] == data["set_v"]
    assert data["ladder"][-1]["limit_a"] == data["limit_a"]
    assert data["limited_by"] in {limit["name"] for limit in data["limits"]}
    assert {limit["quantity"] for limit in data["limits"]} == {"volts", "amps", "watts"}
    assert len(data["cautions"]) >= 8
    power = data["expected"]["power_w"]
    parts = sum(power[key] for key in ("fault", "series", "trace", "leads"))
    assert power["total"] == pytest.approx(parts)
    assert power["total"] <= data["set_v"] * data["limit_a"] * (1 + 1e-9)


@pytest.mark.parametrize("name", REFUSED)
def test_a_refusal_has_the_published_shape(capsys, name: str) -> None:
    data = plan_json(capsys, REFUSED[name])
    check(data, FORMAT_1)
    assert len(data["refused"]) > 10
    assert "\n" not in data["refused"]
    assert (data["set_v"], data["limit_a"], data["ladder"], data["limits"]) == (0, 0, [], [])
    assert data["expected"]["visible_after_s"] is None
    assert data["expected"]["pulsed_visible_after_s"] is None
    assert data["cautions"]


def test_leak_and_partial_short_are_held_in_voltage(capsys) -> None:
    for name in ("leak", "large leak"):
        assert plan_json(capsys, CASES[name])["expected"]["mode"] == "voltage"
    assert plan_json(capsys, CASES["ordinary"])["expected"]["mode"] == "current"


def test_what_cannot_be_seen_is_null(capsys) -> None:
    expected = plan_json(capsys, CASES["unseen"])["expected"]
    assert expected["visible_after_s"] is None
    assert expected["pulsed_visible_after_s"] is None
    assert expected["needed_power_w"] > expected["power_w"]["fault"]
    # A little more power than one step can show: the pulse train sees it, averaging does not.
    weak = ["--nominal-v", "3.3", "--ohms", "20k"]
    expected = plan_json(capsys, weak)["expected"]
    assert expected["visible_after_s"] is None
    assert expected["pulsed_visible_after_s"] > 0
