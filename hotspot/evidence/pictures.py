"""The two pictures of a finding as finished PNG files in memory."""

from __future__ import annotations

from typing import Any

from hotspot.board import Board
from hotspot.evidence import words
from hotspot.evidence.figures import build_evidence_figure
from hotspot.evidence.heat_figure import build_heat_figure
from hotspot.evidence.metadata import build_facts, to_png
from hotspot.evidence.paper import to_pixels
from hotspot.finding import Finding
from hotspot.frame import Recording


def build_pictures(
    finding: Finding, recording: Recording, *, board: Board | None = None, rail: str | None = None
) -> tuple[dict[str, Any], dict[str, bytes]]:
    """Return the facts, and the PNG files ``evidence.png`` and ``heat.png`` that carry them.

    Raises
    ------
    BoardError
        If the board's photo cannot be read.
    """
    facts = build_facts(finding, recording, board=board, rail=rail)
    title = f"{recording.name}: {words.headline(finding)}"
    evidence = build_evidence_figure(finding, recording, board=board, rail=rail)
    heat = build_heat_figure(finding, recording)
    return facts, {
        "evidence.png": to_png(to_pixels(evidence), facts=facts, title=title),
        "heat.png": to_png(to_pixels(heat), facts=facts, title=title),
    }
