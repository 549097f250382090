"""Which camera: practice, a recording, USB or a network address."""

from __future__ import annotations

from pathlib import Path

import streamlit as st

from hotspot.app import shared, shell
from hotspot.app.click_list import ClickList
from hotspot.bench.cameras import CameraChoice, CameraKind, practice_landmarks
from hotspot.board import Board
from hotspot.checks import FloatArray
from hotspot.errors import InputError
from hotspot.evidence.words import CAUTIONS
from hotspot.files.profiles import load_profile
from hotspot.jobs.live_for_job import pair_landmarks, to_bounds, to_case
from hotspot.jobs.plan_for_job import find_rail
from hotspot.jobs.practice_job import CANS, SEED
from hotspot.profile import CameraProfile
from hotspot.store.entries import JobFile
from hotspot.store.history import faulty_parts


def choose_camera(file: JobFile, board: Board | None, *, other: bool) -> None:
    """Ask where pictures come from, and open the camera."""
    if other:
        st.warning(
            f"The camera is open for job {shared.desk().job_id}. Opening it here closes it there."
        )
    seed = shell.kept(file, SEED)
    kinds = [k.value for k in CameraKind if k is not CameraKind.PRACTICE or seed is not None]
    usual = str(CameraKind.USB if seed is None else CameraKind.PRACTICE)
    kind = CameraKind(
        st.segmented_control(
            "Camera", kinds, default=usual, required=True, key=shell.key(file, "camera")
        )
        or usual
    )
    address = ""
    if kind is CameraKind.REPLAY:
        address = st.text_input("Folder of the recording", **shell.remember(file, "replay", ""))
    elif kind is CameraKind.USB:
        address = st.text_input("USB number or device", **shell.remember(file, "usb", "0"))
        st.caption("16-bit cameras are asked for raw values; plain video works too.")
    elif kind is CameraKind.URL:
        address = st.text_input("Address (http, https or rtsp)", **shell.remember(file, "url", ""))
    else:
        st.caption("A simulated camera over a board with a hidden short. Nothing can burn.")
    rails = [r.name for r in board.rails] if board else []
    rail = shell.kept(file, "rail") or find_rail(file, board)
    if rails:
        rail = rail if rail in rails else rails[0]
        rail = st.selectbox("Rail under injection", rails, **shell.remember(file, "rail", rail))
    when = ["before the repair", "after the repair"]
    phase = st.segmented_control(
        "Recording is taken",
        when,
        default=when[bool(shell.kept(file, "after", False))],
        required=True,
        key=shell.key(file, "phase"),
    )
    shell.keep(file, "after", phase == when[1])
    real = kind in (CameraKind.USB, CameraKind.URL)
    profile = _profile(file) if real else None
    if real:
        for caution in CAUTIONS:
            st.caption(shell.plain(caution))
    if st.button("Open camera", type="primary", icon=":material/videocam:"):
        needs_address = kind in (CameraKind.REPLAY, CameraKind.URL)
        if needs_address and not address.strip():
            raise InputError("is empty", where=str(kind), cure="Say where the pictures come from")
        with st.spinner("Opening the camera …"):
            shared.desk().take_over(shell.who())
            shared.desk().open(
                CameraChoice(
                    kind,
                    address.strip(),
                    int(seed or 1),
                    taken_off=(*faulty_parts(file.actions), *shell.kept(file, CANS, [])),
                ),
                owner=shell.who(),
                job_id=file.job.id,
                case=to_case(
                    shared.store(),
                    file,
                    board=board,
                    rail=rail,
                    landmarks=landmarks_of(file, board, practice=kind is CameraKind.PRACTICE),
                ),
                bounds=to_bounds(file, rail=rail),
                profile=profile,
            )
        st.rerun()


def _profile(file: JobFile) -> CameraProfile | None:
    text = st.text_input(
        "Camera profile made by calib (file), if there is one",
        **shell.remember(file, "profile", ""),
    )
    return load_profile(Path(text.strip()).expanduser()) if text.strip() else None


def landmarks_of(file: JobFile, board: Board | None, *, practice: bool) -> FloatArray:
    """Return the landmarks kept with the job; the practice stand comes with its own."""
    found = pair_landmarks(
        ClickList(file, "marks_thermal").points, ClickList(file, "marks_photo").points
    )
    if not len(found) and practice and board is not None:
        return practice_landmarks(board, seed=int(shell.kept(file, SEED, 1)))
    return found
