"""Small files that unfold into something huge: refused, quickly, with little memory.

They are read one after the other in one process whose memory is watched (`tests.fuzz.bombs`).
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from tests.fuzz.bombs import BOMBS, MAY_BE_READ

# The largest of the texts is 64 MB in the file itself; decoded and split it takes some times that.
MOST_GROWTH_MB = 400.0
MOST_SECONDS = 10.0

pytestmark = pytest.mark.skipif(
    not Path("/proc/self/clear_refs").exists(), reason="needs proc(5) to watch the memory"
)


@pytest.fixture(scope="module")
def answers() -> dict[str, dict[str, Any]]:
    done = subprocess.run(
        [sys.executable, "-m", "tests.fuzz.bombs"],
        capture_output=True,
        text=True,
        check=False,
        timeout=110,
        cwd=Path(__file__).resolve().parents[2],
    )
    assert done.returncode == 0, done.stderr[-2000:]
    lines = [json.loads(line) for line in done.stdout.splitlines()]
    return {line["name"]: line for line in lines}


@pytest.mark.parametrize("name", BOMBS)
def test_a_bomb_is_refused_quickly_and_in_little_memory(
    name: str, answers: dict[str, dict[str, Any]]
) -> None:
    answer = answers[name]
    assert not answer["answer"].startswith("BROKE"), answer
    assert name in MAY_BE_READ or answer["answer"] != "read", answer
    assert "\n" not in answer["answer"]
    assert answer["grown_mb"] < MOST_GROWTH_MB, answer
    assert answer["seconds"] < MOST_SECONDS, answer
