"""The line from a recording to a finding, in readable steps."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from hotspot.board import Board
from hotspot.conclude import conclude
from hotspot.errors import RecordingError
from hotspot.finding import Finding
from hotspot.frame import Recording
from hotspot.heat.audit import audit_frames
from hotspot.heat.gather import Gathered, gather_bins
from hotspot.heat.values import value_converter
from hotspot.line import build_line, check_cold
from hotspot.register.registration import Registration
from hotspot.second_looks import Progress, told_clearly

# Fewer usable frames than this say nothing about noise, and so nothing about heat.
LEAST_FRAMES = 12


def find(
    recording: Recording,
    *,
    board: Board | None = None,
    rail: str | None = None,
    registration: Registration | None = None,
    history: Mapping[str, int] | None = None,
    photo: NDArray[np.uint8] | None = None,
    progress: Progress | None = None,
) -> Finding:
    """Return what a recording says.

    Parameters
    ----------
    recording
        The recording.
    board
        The part map; without it spots are found, but no part is named.
    rail
        Rail under injection; the recording's own when None.
    registration
        How the thermal picture lies on photo and board; from the recording's landmarks when None.
    history
        Failures by reference on this board type.
    photo
        (rows, cols, 3) the board's photo, on which the thermal picture is laid when the recording
        has no landmarks.
    progress
        Called with the share done (0 to 1) and what is being done.

    Raises
    ------
    RecordingError
        If too few frames can be used.
    """
    say: Progress = progress or (lambda share, what: None)
    say(0.0, "looking through the frames")
    to_values = value_converter(recording)
    audit = audit_frames(recording, to_values=to_values)
    used = int(audit.used.sum())
    if used < LEAST_FRAMES:
        raise RecordingError(
            f"only {used} of {len(audit.used)} frames carry anything new",
            where=recording.name,
            cure="Record again with a camera that delivers changing frames",
        )
    check_cold(recording, audit)
    bins = gather_bins(
        recording,
        audit,
        to_values=to_values,
        progress=lambda share: say(0.2 + 0.3 * share, "gathering the frames"),
    )
    gathered = Gathered(recording=recording, audit=audit, bins=bins)
    return find_gathered(
        gathered,
        board=board,
        rail=rail,
        registration=registration,
        history=history,
        photo=photo,
        progress=progress,
    )


def find_gathered(
    gathered: Gathered,
    *,
    board: Board | None = None,
    rail: str | None = None,
    registration: Registration | None = None,
    history: Mapping[str, int] | None = None,
    photo: NDArray[np.uint8] | None = None,
    progress: Progress | None = None,
) -> Finding:
    """Return what gathered frames say: the end of a recording, or a live view so far.

    Parameters
    ----------
    gathered
        The frames, gathered; the values of its bins are changed in place.
    board, rail, registration, history, photo, progress
        As for `find`; progress is called with 0.5 to 1.
    """
    say: Progress = progress or (lambda share, what: None)
    say(0.5, "taking drift out")
    line = build_line(
        gathered,
        board=board,
        rail=rail,
        registration=registration,
        history=history,
        photo=photo,
    )
    finding = told_clearly(line, conclude, say=say)
    return line.coarse.enlarged(finding, registration=line.full_registration)
