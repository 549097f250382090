"""A job's finding against its plan: did as much heat show as was to be expected."""

from __future__ import annotations

import tempfile
from collections.abc import Mapping
from dataclasses import asdict, fields, replace
from pathlib import Path
from typing import Any

from hotspot.board import Board
from hotspot.errors import HotspotError
from hotspot.files.recordings import load_recording
from hotspot.frame import Recording
from hotspot.inject.confront import confront_finding
from hotspot.inject.plan import InjectionPlan
from hotspot.jobs.intake import RECORDING
from hotspot.jobs.kept import kept_folder
from hotspot.jobs.plan_for_job import Wishes, plan_for_job
from hotspot.locate.places import scale_mm_per_px
from hotspot.register.from_landmarks import fit_registration
from hotspot.store.entries import FindingEntry, JobFile
from hotspot.store.jobs import JobStore


def wishes_to_dict(wishes: Wishes) -> dict[str, Any]:
    """Return what a plan was asked for with, as plain data."""
    return asdict(wishes)


def confront_for_job(
    store: JobStore,
    file: JobFile,
    finding: FindingEntry,
    *,
    wishes: Mapping[str, Any] | None,
    board: Board | None,
) -> str:
    """Return one sentence on measured against predicted heat; "" where there is nothing to compare.

    Parameters
    ----------
    store, file, finding
        A finding of the job.
    wishes
        What the plan was asked for with (`wishes_to_dict`); None when no plan was noted.
    board
        The board of the job.
    """
    recording = next((r for r in file.recordings if r.id == finding.recording_id), None)
    if recording is None or not wishes or finding.verdict != "hot spot":
        return ""
    known = {f.name for f in fields(Wishes)}
    try:
        plan = plan_for_job(Wishes(**{k: v for k, v in wishes.items() if k in known}), board=board)
        kept = kept_folder(store.blobs, recording.files, kind=RECORDING)
        if plan.refused is not None or kept is None or recording.rail != wishes.get("rail"):
            return ""
        with tempfile.TemporaryDirectory(prefix="hotspot-") as scratch:
            loaded = load_recording(kept.unpack(Path(scratch) / "recording"))
            plan = _as_seen(plan, loaded, board)
            unit = "K" if loaded.profile.is_radiometric else "relative"
            result = confront_finding(plan, finding.data, log=loaded.injection, unit=unit)
    except (HotspotError, ValueError, TypeError):
        return ""  # an old draft or a damaged recording: the finding stands without it
    return "" if result is None else result.sentence


def _as_seen(plan: InjectionPlan, recording: Recording, board: Board | None) -> InjectionPlan:
    """Return the plan with the scale and blur of the camera that really looked.

    A coarser pixel takes in more of the cool board round a part: the brightest one is less warm.
    """
    registration = fit_registration(recording.landmarks, board)
    scale = scale_mm_per_px(registration, shape=recording.profile.shape, board=board)
    view = plan.scenery.view
    view = replace(
        view,
        mm_per_px=scale or view.mm_per_px,
        psf_sigma_px=recording.profile.psf_sigma_px or view.psf_sigma_px,
    )
    return replace(plan, scenery=replace(plan.scenery, view=view))
