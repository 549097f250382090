"""Signals, a killed program and what the supply itself does about it: the output ends off."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from hotspot.bench.schedule import build_ladder
from hotspot.bench.session import open_supply
from hotspot.inject.report import plan_to_dict
from hotspot.practice.supply_server import LoadedSupply, SupplyServer
from tests.bench.supply_stand import PLAN, WORDS


@pytest.mark.parametrize(
    "number",
    [
        signal.SIGINT,
        signal.SIGTSTP,
        *(
            pytest.param(number, marks=pytest.mark.slow)
            for number in (signal.SIGTERM, signal.SIGHUP, signal.SIGQUIT)
        ),
    ],
)
def test_signals_switch_off(tmp_path, number: signal.Signals) -> None:
    loaded = LoadedSupply(short_ohm=0.05, lead_ohm=0.05)
    plan_path = tmp_path / "plan.json"
    plan_path.write_text(json.dumps(plan_to_dict(PLAN)))
    with SupplyServer(loaded) as server:
        process = subprocess.Popen(
            [sys.executable, "-m", "hotspot", "supply", "run", server.address, "--no-camera",
             "--plan", str(plan_path), "--log", str(tmp_path / "i.csv")],
            stdout=subprocess.PIPE, text=True, env=os.environ | {"PYTHONPATH": str(Path.cwd())},
        )  # fmt: skip
        end = time.monotonic() + 20
        while not loaded.on and time.monotonic() < end:
            time.sleep(0.02)
        assert loaded.on
        sent = time.monotonic()
        process.send_signal(number)
        out, _ = process.communicate(timeout=20)
        assert process.returncode == 130
        assert "output off, confirmed" in out
        assert loaded.on is False
        print(f"{number.name}: off {1e3 * (loaded.switched[-1][0] - sent):.0f} ms after it")
    assert (tmp_path / "i.csv").read_text().splitlines()[-1].split(",")[1] == "0"


def test_killed_program_leaves_a_bounded_output_and_the_next_connection_ends_it(tmp_path) -> None:
    loaded = LoadedSupply(short_ohm=0.05, lead_ohm=0.05)
    schedule = build_ladder(PLAN)
    with SupplyServer(loaded) as server:
        loaded.set_v, loaded.set_a = PLAN.set_v, PLAN.limit_a
        loaded.answer("OUTP ON")  # what a killed program leaves behind
        volts, amps = loaded.output()
        watts = min(x.value for x in PLAN.limits if x.quantity == "watts")
        assert volts * amps <= watts
        with open_supply(server.address, WORDS, schedule=schedule):
            assert loaded.on is False


@pytest.mark.slow
def test_really_killed_program_then_check_switches_off(tmp_path) -> None:
    loaded = LoadedSupply(short_ohm=0.05, lead_ohm=0.05)
    plan_path = tmp_path / "plan.json"
    plan_path.write_text(json.dumps(plan_to_dict(PLAN)))
    with SupplyServer(loaded) as server:
        command = [sys.executable, "-m", "hotspot", "supply"]
        process = subprocess.Popen(
            [*command, "run", server.address, "--no-camera", "--plan", str(plan_path),
             "--log", str(tmp_path / "i.csv")],
            stdout=subprocess.DEVNULL,
        )  # fmt: skip
        end = time.monotonic() + 20
        while not loaded.on and time.monotonic() < end:
            time.sleep(0.02)
        process.kill()
        process.wait(timeout=10)
        assert loaded.on  # what cannot be guaranteed: the output stays on ...
        volts, amps = loaded.output()
        assert volts * amps <= min(x.value for x in PLAN.limits if x.quantity == "watts")
        check = subprocess.run(
            [*command, "check", server.address], capture_output=True, text=True, check=False
        )
        assert check.returncode == 0, check.stdout + check.stderr
        assert loaded.on is False  # ... until the next connection
        assert "no timer of its own" in check.stdout
    # Every reading written before the kill is whole.
    rows = (tmp_path / "i.csv").read_text().splitlines()
    assert all(row.count(",") == 3 for row in rows)


def test_own_timer_of_the_supply_ends_a_killed_run() -> None:
    clock = [0.0]
    loaded = LoadedSupply(clock=lambda: clock[0])
    for line in ("OUTP:TIM 5", "VOLT 0.1", "OUTP ON"):
        loaded.answer(line)
    assert loaded.output()[1] > 0
    clock[0] = 5.1
    assert loaded.output() == (0.0, 0.0)
