"""Made-up analyses for the processes of `test_rerun`; light, because each process imports them."""

import os
import signal
import tempfile
from pathlib import Path

from hotspot.errors import RecordingError
from hotspot.jobs.rerun import Task

NOTHING = {"format": 1, "verdict": "no hot spot", "spots": [], "suspects": []}


def fine(task: Task) -> dict:
    return {**NOTHING, "recording": {"name": task.name}}


def picky(task: Task) -> dict:
    if task.name == "r1":
        raise RecordingError("frames are missing", where=task.name, cure="Record again")
    if task.name == "r2":
        return {"no": 1 / 0}
    return fine(task)


def deadly(task: Task) -> dict:
    if task.name == "r1":
        os.kill(os.getpid(), signal.SIGKILL)
    return fine(task)


def unpacking(task: Task) -> dict:
    with tempfile.TemporaryDirectory() as folder:
        there = task.recording.unpack(Path(folder) / "r")
        return {**NOTHING, "frames.csv": (there / "frames.csv").read_text()[:10]}
