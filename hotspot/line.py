"""What is known once the frames are gathered, and how it is got."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from hotspot.beside import find_beside
from hotspot.board import Board, Role
from hotspot.checks import FloatArray
from hotspot.coarse import Coarse, coarse_factor
from hotspot.errors import RecordingError, RegistrationError
from hotspot.frame import Recording
from hotspot.heat.audit import FrameAudit
from hotspot.heat.bins import BinnedFrames
from hotspot.heat.calm import CalmBins, calm
from hotspot.heat.drive import drive_from_log, switching_from_log
from hotspot.heat.emissivity import estimate_emissivity
from hotspot.heat.gather import Gathered
from hotspot.heat.outline import share_inside
from hotspot.heat.switching import SwitchingEstimate, propose_switchings
from hotspot.locate.parts import Place
from hotspot.locate.places import places_on_picture, scale_mm_per_px
from hotspot.locate.templates import DEFAULT_SIGMA_PX
from hotspot.register.automatic import register_automatically
from hotspot.register.by_outline import board_corners_mm, refined_by_outline
from hotspot.register.by_parts import refined_by_parts
from hotspot.register.from_landmarks import fit_registration
from hotspot.register.registration import Registration
from hotspot.suspects import Prior, build_priors

# Half the body of a small part, mm: widens the sharpest spot where the scale is known.
SMALL_BODY_MM = 0.2


@dataclass(frozen=True, slots=True, eq=False)
class Line:
    """All that is known once the frames are gathered.

    `moving` says that something was already seen to move, mirrored in the metal, `turned` that the
    scale of a display was turned over, `doubted` that strong heat told no part clearly; `beside`
    (rows, cols) is what lies beside the board, None when that is not known, `on_board` (rows, cols)
    the share of each pixel that shows the board; `blinking_pixels` were left out for blinking.
    """

    recording: Recording
    audit: FrameAudit
    coarse: Coarse
    full_registration: Registration
    calm_bins: CalmBins
    cold: NDArray[np.float32]
    emissivity: NDArray[np.float32] | None
    board: Board | None
    rail: str | None
    registration: Registration
    places: tuple[Place, ...]
    priors: tuple[Prior, ...]
    warnings: tuple[str, ...]
    moving: bool = False
    turned: bool = False
    doubted: bool = False
    blinking_pixels: int = 0
    beside: NDArray[np.bool_] | None = None
    on_board: NDArray[np.float32] | None = None

    @property
    def shown(self) -> NDArray[np.float32] | None:
        """(rows, cols) how much each pixel shows of heat in the board, which ends at its edge."""
        if self.on_board is None or self.on_board.min() > 0:
            return self.emissivity
        board: NDArray[np.float32] = np.asarray(
            cv2.GaussianBlur(self.on_board, (0, 0), self.sigma_px), dtype=np.float32
        )
        return board if self.emissivity is None else board * self.emissivity

    @property
    def candidates(self) -> tuple[Place, ...]:
        """Places of the parts that may carry the fault."""
        if not self.places:
            return ()
        return tuple(
            place
            for place, prior in zip(self.places, self.priors, strict=True)
            if prior.role in (Role.SHUNT, Role.LOAD)
            or (prior.role is Role.UNKNOWN and self.rail is None)
        )

    @property
    def on_rail(self) -> tuple[Place, ...]:
        """Places of the parts that have to do with the rail, its series parts among them."""
        if not self.places:
            return ()
        return tuple(
            place
            for place, prior in zip(self.places, self.priors, strict=True)
            if prior.role is not Role.UNRELATED
        )

    @property
    def on_path(self) -> tuple[Place, ...]:
        """Places of the parts that carry the current to the fault."""
        if not self.places:
            return ()
        return tuple(
            place
            for place, prior in zip(self.places, self.priors, strict=True)
            if prior.role is Role.SERIES
        )

    @property
    def unit(self) -> str:
        """Kelvin where the camera has an absolute scale."""
        return "K" if self.recording.profile.is_radiometric else "relative"

    @property
    def mm_per_px(self) -> float | None:
        """Scale in the middle of the picture."""
        return scale_mm_per_px(self.registration, shape=self.cold.shape, board=self.board)

    @property
    def blur_px(self) -> float:
        """Blur of the optics."""
        return (self.recording.profile.psf_sigma_px or DEFAULT_SIGMA_PX) / self.coarse.factor

    @property
    def sigma_px(self) -> float:
        """Width of the sharpest spot: blur of the optics and half the body of a small part."""
        scale = self.mm_per_px
        if scale is None:
            return self.blur_px
        return float(np.hypot(self.blur_px, SMALL_BODY_MM / scale))


def build_line(
    gathered: Gathered,
    *,
    board: Board | None = None,
    rail: str | None = None,
    registration: Registration | None = None,
    history: Mapping[str, int] | None = None,
    photo: NDArray[np.uint8] | None = None,
) -> Line:
    """Return what is known of gathered frames, drift taken out of their bins (in place)."""
    recording, audit, bins = gathered.recording, gathered.audit, gathered.bins
    rail = rail if rail is not None else recording.rail
    full_cold = cold_picture(bins, onset_s=logged_onset_s(recording))
    if registration is None:
        registration = registration_of(recording, board=board, cold=full_cold, photo=photo)
    registration, corners_px = refined(
        registration,
        board=board,
        cold=full_cold,
        bad=audit.bad,
        sigma_px=recording.profile.psf_sigma_px or DEFAULT_SIGMA_PX,
    )
    coarse = Coarse(coarse_factor(bins.shape), full_shape=bins.shape, bad=audit.bad)
    bins, cold = coarse.reduced_bins(bins), coarse.reduced(full_cold)
    full_registration, registration = registration, coarse.reduced_registration(registration)
    corners = None if corners_px is None else coarse.reduced_points(corners_px)
    on_board = None if corners is None else share_inside(corners, shape=cold.shape)
    bad = coarse.reduced_bad()
    calm_bins = calm(bins, cold=cold, bad=bad, on_board=on_board)
    return Line(
        recording=recording,
        audit=audit,
        coarse=coarse,
        full_registration=full_registration,
        calm_bins=calm_bins,
        cold=cold,
        emissivity=estimate_emissivity(cold, bad=calm_bins.bad),
        board=board,
        rail=rail,
        registration=registration,
        places=places_on_picture(board, registration),
        priors=() if board is None else build_priors(board, rail=rail, history=history),
        warnings=(*recording.warnings, *audit.warnings, *registration.warnings),
        blinking_pixels=int(np.sum(calm_bins.bad & ~bad)),
        beside=find_beside(corners, registration=registration, shape=cold.shape),
        on_board=on_board,
    )


def refined(
    registration: Registration,
    *,
    board: Board | None,
    cold: NDArray[np.float32],
    bad: NDArray[np.bool_],
    sigma_px: float,
) -> tuple[Registration, FloatArray | None]:
    """Return the registration with what the cold picture adds, and the board's corners (4, 2).

    Where the parts' own bodies are seen they tell more than the board's edge, which then only tells
    where to begin to look.
    """
    by_edge, corners_px = refined_by_outline(registration, board=board, cold=cold, bad=bad)
    to_board, corners_mm = by_edge.board_from_thermal, board_corners_mm(board)
    if to_board is None:
        return by_edge, corners_px
    start = to_board.inverse()
    # An edge that is not the board's may contradict the parts: then the clicks alone are asked.
    for prior in (by_edge,) if by_edge is registration else (by_edge, registration):
        by_parts = refined_by_parts(
            prior,
            start=start,
            board=board,
            cold=cold,
            bad=bad,
            sigma_px=sigma_px,
            board_mm=corners_mm,
        )
        found = by_parts.board_from_thermal
        if by_parts is not prior and found is not None:
            return by_parts, None if corners_mm is None else found.inverse().map(corners_mm)
    return by_edge, corners_px


def switchings_of(line: Line) -> tuple[SwitchingEstimate, ...]:
    """Return when the output was on, or may have been where nothing was written down."""
    log = line.recording.injection
    if log is not None:
        known = SwitchingEstimate(switching_from_log(log), drive_from_log(log), trials=1.0)
        return (known,)
    tested = line.on_rail
    optics = line.sigma_px**2 * np.eye(2)
    return propose_switchings(
        line.calm_bins,
        places=np.array([p.xy_px for p in tested]) if tested else None,
        place_cov_px2=np.array([p.heat_cov_px2() + optics for p in tested]) if tested else None,
        emissivity=line.emissivity,
        mm_per_px=line.mm_per_px,
        beside=line.beside,
    )


def registration_of(
    recording: Recording,
    *,
    board: Board | None,
    cold: NDArray[np.float32],
    photo: NDArray[np.uint8] | None,
) -> Registration:
    """Return the registration: from landmarks, else from what the pictures show.

    What is wrong with it becomes a warning: the picture is still worth looking at.
    """
    try:
        if len(recording.landmarks) or board is None:
            return fit_registration(recording.landmarks, board, shape=cold.shape)
        return register_automatically(cold, photo=photo, board=board)
    except RegistrationError as error:
        return replace(Registration(), warnings=(error.sentence,))


def logged_onset_s(recording: Recording) -> float | None:
    """Return when the output was first on, as far as it was written down."""
    return None if recording.injection is None else switching_from_log(recording.injection).onset_s


def cold_picture(bins: BinnedFrames, *, onset_s: float | None) -> NDArray[np.float32]:
    """Return the mean of the frames before the onset, or of the first tenth without one."""
    first_segment = bins.segment == bins.segment[0]
    early = first_segment & (
        bins.t_s <= (onset_s if onset_s is not None else bins.t_s[0] + 0.1 * np.ptp(bins.t_s))
    )
    if not early.any():
        early = np.arange(len(bins.t_s)) == 0
    weight = bins.frames[early] / bins.frames[early].sum()
    mean = weight.astype(np.float32) @ bins.values[early]
    cold: NDArray[np.float32] = (bins.reference + mean.reshape(bins.shape)).astype(np.float32)
    return cold


def check_cold(recording: Recording, audit: FrameAudit) -> None:
    """Refuse a log that is on from the first frame and never off: there is nothing to compare with.

    Raises
    ------
    RecordingError
        Naming the cure.
    """
    if recording.injection is None:
        return
    edges = switching_from_log(recording.injection).edges_s
    cold = audit.used & (audit.t_s < edges[0]) if edges else audit.used
    if len(edges) == 1 and int(cold.sum()) == 0:
        raise RecordingError(
            "the output is on from the first frame: there are no cold frames to compare with",
            where=f"{recording.name}/injection.csv",
            cure="Record at least five seconds before switching on",
        )
