"""How far a job is, and what to do next."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from hotspot.store.entries import ActionKind, JobFile, Phase, Status


class Stage(StrEnum):
    """The way of a job, in order."""

    JOB = "Job"
    BOARD = "Board"
    READINGS = "Readings"
    PLAN = "Plan"
    LIVE = "Live"
    FINDING = "Finding"
    VERIFY = "Verify"
    HAND_OVER = "Hand-over"


@dataclass(frozen=True, slots=True)
class NextStep:
    """What to do next and where."""

    stage: Stage
    says: str


def find_done(file: JobFile) -> frozenset[Stage]:
    """Return the stages for which the job holds something."""
    before = Phase.BEFORE
    found = {
        Stage.JOB: True,
        Stage.BOARD: any(a.kind == "board" for a in file.attachments),
        Stage.READINGS: any(r.phase is before for r in file.readings),
        Stage.PLAN: bool(file.plans),
        Stage.LIVE: any(r.phase is before for r in file.recordings),
        Stage.FINDING: any(a.kind is ActionKind.REMOVED for a in file.actions),
        Stage.VERIFY: bool(file.verifications),
        Stage.HAND_OVER: file.job.status is Status.CLOSED,
    }
    return frozenset(stage for stage, done in found.items() if done)


def find_next(file: JobFile) -> NextStep:
    """Return the next step of a job."""
    done = find_done(file)
    if Stage.HAND_OVER in done:
        return NextStep(Stage.HAND_OVER, "The job is closed. Print or save the report.")
    if Stage.VERIFY in done:
        return NextStep(Stage.HAND_OVER, "Close the job and hand the board over.")
    if Stage.FINDING in done:
        return NextStep(Stage.VERIFY, "Measure again, power up, and compare before and after.")
    if Stage.LIVE in done:
        found = [f for f in file.findings if f.phase is Phase.BEFORE]
        if found and not found[-1].named_ref:
            return NextStep(Stage.FINDING, "Read what stands in the way, then record again.")
        return NextStep(Stage.FINDING, "Look at the finding, then take the suspect off.")
    if Stage.PLAN in done:
        return NextStep(Stage.LIVE, "Watch the rail warm up.")
    if Stage.READINGS in done:
        return NextStep(Stage.PLAN, "Set what is safe for the shorted rail.")
    if Stage.BOARD in done:
        return NextStep(Stage.READINGS, "Measure the rails to ground with the board unpowered.")
    return NextStep(Stage.BOARD, "Give the job its board: photo, parts, rails. Or go on without.")
