"""The line from a recording to a finding, in readable steps."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from hotspot.board import Board, Role
from hotspot.checks import FloatArray
from hotspot.errors import RecordingError, RegistrationError
from hotspot.finding import CANNOT_TELL, HOT_SPOT, NO_HOT_SPOT, Finding
from hotspot.frame import Recording
from hotspot.heat.audit import FrameAudit, audit_frames
from hotspot.heat.bins import BinnedFrames
from hotspot.heat.drive import Drive, drive_from_log, switching_from_log
from hotspot.heat.fit import CalmBins, calm, fit_heat
from hotspot.heat.gather import gather_bins
from hotspot.heat.heatmap import FrameCounts, HeatMap, Switching
from hotspot.heat.picture import build_heat_map, hottest_bin, source_map
from hotspot.heat.switching import estimate_switching
from hotspot.heat.values import value_converter
from hotspot.locate.detect import Scores, score
from hotspot.locate.field import Field, build_field
from hotspot.locate.parts import Place
from hotspot.locate.places import outline_at, places_on_picture, scale_mm_per_px
from hotspot.locate.separate import describe
from hotspot.locate.spots import find_spots, without
from hotspot.locate.templates import DEFAULT_SIGMA_PX, build_templates, render
from hotspot.register.from_landmarks import fit_registration
from hotspot.register.registration import Registration
from hotspot.suspects import Prior, build_priors
from hotspot.weigh import weigh

# A reading counts as a hot spot when noise and nuisances alone would give one this strong in
# fewer than this share of recordings; a technician then meets a false alarm once in 200 boards.
FALSE_ALARM_LIMIT = 0.005
# Fewer usable frames than this say nothing about noise, and so nothing about heat.
LEAST_FRAMES = 12
# Half the body of a small part, mm: widens the sharpest spot where the scale is known.
SMALL_BODY_MM = 0.2

Progress = Callable[[float, str], None]


def find(
    recording: Recording,
    *,
    board: Board | None = None,
    rail: str | None = None,
    registration: Registration | None = None,
    history: Mapping[str, int] | None = None,
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
    progress
        Called with the share done (0 to 1) and what is being done.

    Raises
    ------
    RecordingError
        If too few frames can be used.
    """
    say: Progress = progress or (lambda share, what: None)
    rail = rail if rail is not None else recording.rail
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
    bins = gather_bins(
        recording,
        audit,
        to_values=to_values,
        progress=lambda share: say(0.2 + 0.3 * share, "gathering the frames"),
    )
    cold = cold_picture(bins, onset_s=logged_onset_s(recording))
    if registration is None:
        registration = registration_of(recording, board=board)
    say(0.5, "taking drift out")
    line = Line(
        recording=recording,
        audit=audit,
        calm_bins=calm(bins, cold=cold, bad=audit.bad),
        cold=cold,
        board=board,
        rail=rail,
        registration=registration,
        places=places_on_picture(board, registration),
        priors=() if board is None else build_priors(board, rail=rail, history=history),
        warnings=(*recording.warnings, *audit.warnings, *registration.warnings),
    )
    return conclude(line, say=say)


@dataclass(frozen=True, slots=True, eq=False)
class Line:
    """All that is known once the frames are gathered."""

    recording: Recording
    audit: FrameAudit
    calm_bins: CalmBins
    cold: NDArray[np.float32]
    board: Board | None
    rail: str | None
    registration: Registration
    places: tuple[Place, ...]
    priors: tuple[Prior, ...]
    warnings: tuple[str, ...]

    @property
    def unit(self) -> str:
        """Kelvin where the camera has an absolute scale."""
        return "K" if self.recording.profile.is_radiometric else "relative"

    @property
    def mm_per_px(self) -> float | None:
        """Scale in the middle of the picture."""
        return scale_mm_per_px(self.registration, shape=self.cold.shape, board=self.board)

    @property
    def sigma_px(self) -> float:
        """Width of the sharpest spot: blur of the optics and half the body of a small part."""
        blur = self.recording.profile.psf_sigma_px or DEFAULT_SIGMA_PX
        scale = self.mm_per_px
        return float(blur if scale is None else np.hypot(blur, SMALL_BODY_MM / scale))


def conclude(line: Line, *, say: Progress) -> Finding:
    """Return the finding from gathered frames."""
    say(0.6, "finding when the output was on")
    switching, drive, trials = switching_of(line)
    if len(drive.t_s) == 0 or not np.any(drive.level > 0):
        return without_drive(line, switching)
    say(0.7, "fitting the heat")
    try:
        fit = fit_heat(line.calm_bins, drive, frame_t_s=line.audit.t_s)
    except ValueError:
        return without_drive(line, switching)
    field = build_field(
        fit.maps,
        quiet=fit.quiet,
        bad=line.calm_bins.bad,
        bands=fit.bands,
    )
    templates = build_templates(line.mm_per_px)

    def rescore(rest: Field, scale: float | None) -> Scores:
        return score(
            rest,
            contrasts=fit.contrasts,
            age_s=fit.atoms.age_s,
            templates=templates,
            sigma_px=line.sigma_px,
            scale=scale,
        )

    def outline(xy_px: FloatArray) -> FloatArray | None:
        return outline_at(line.places, xy_px)

    say(0.8, "looking for spots")
    first = rescore(field, None)
    found, rest, rest_scores = find_spots(
        field,
        rescore=lambda f: rescore(f, first.scale),
        first=first,
        limit=FALSE_ALARM_LIMIT,
        trials=trials,
        sigma_px=line.sigma_px,
        outline_at=outline,
    )
    say(0.9, "weighing the parts")
    end = hottest_bin(fit)

    def peak_k(xy_px: FloatArray) -> float:
        described = describe(
            field, centres=(xy_px,), outlines=(outline(xy_px),), sigma_px=line.sigma_px
        )[0]
        x, y = (round(float(v)) for v in xy_px)
        maps = described.maps[:, y, x] * field.local_sigma[y, x]
        return float(fit.contrasts.courses[:, end] @ maps)

    weighed = weigh(
        found,
        board=line.board,
        rail=line.rail,
        places=line.places,
        priors=line.priors,
        registration=line.registration,
        field=field,
        first=first,
        rest=(rest, rest_scores),
        scores_without=lambda centres: rescore(
            without(field, centres=centres, sigma_px=line.sigma_px, outline_at=outline),
            first.scale,
        ),
        peak_k=peak_k,
    )
    chance = found[0].false_alarm if found else nothing_chance(first, field, trials)
    best = found[0].centre.template if found else 0
    shown = render(
        templates[best],
        contrasts=fit.contrasts,
        age_s=fit.atoms.age_s,
        padded=field.padded,
        inverse_noise=field.inverse_noise,
        sigma_px=line.sigma_px,
    )
    heat = build_heat_map(
        fit,
        line.calm_bins,
        cold=line.cold,
        local_sigma=field.local_sigma,
        unit=line.unit,
        spot_px=found[0].centre.xy_px if found else None,
        source=source_map(
            field.maps,
            transfer=shown.transfer,
            inverse_noise=field.inverse_noise,
            padded=field.padded,
        ),
        steps=(),
    )
    return Finding(
        verdict=HOT_SPOT if found else NO_HOT_SPOT,
        false_alarm_probability=chance,
        spots=weighed.spots,
        suspects=weighed.suspects if found else (),
        registration=line.registration,
        switching=switching,
        frames=frame_counts(line.audit),
        heat=heat,
        warnings=(*line.warnings, *weighed.warnings),
        steps=heat.steps,
    )


def nothing_chance(scores: Scores, field: Field, trials: float) -> float:
    """Return the false-alarm probability of the strongest reading of the picture."""
    from hotspot.locate.detect import false_alarm_probability
    from hotspot.locate.spots import inner

    top = float(scores.z[:, inner(field.bad)].max())
    area = float(np.sum(~field.bad))
    chance = false_alarm_probability(top, area_px=area, roughness=scores.roughness)
    return min(1.0, trials * chance)


def switching_of(line: Line) -> tuple[Switching, Drive, float]:
    """Return when the output was on, the drive, and how many switchings were tried."""
    log = line.recording.injection
    if log is not None:
        return switching_from_log(log), drive_from_log(log), 1.0
    places = None
    if line.places:
        tested = [
            p.xy_px
            for p, prior in zip(line.places, line.priors, strict=True)
            if prior.role not in (Role.UNRELATED,)
        ]
        places = np.array(tested) if tested else None
    estimate = estimate_switching(line.calm_bins, frame_t_s=line.audit.t_s, places=places)
    return estimate.switching, estimate.drive, estimate.trials


def without_drive(line: Line, switching: Switching) -> Finding:
    """Return the finding of a recording in which nothing was switched, as far as one can see."""
    flat = np.zeros(line.cold.shape, dtype=np.float32)
    sigma = np.full(line.cold.shape, line.calm_bins.noise.white_sigma, dtype=np.float32)
    heat = HeatMap(
        rise_k=flat,
        sigma_k=sigma,
        source=flat,
        valid=~line.calm_bins.bad,
        cold=line.cold,
        unit=line.unit,
    )
    logged = line.recording.injection is not None
    warning = (
        "The injection log shows no current: switch on, or record again with the log"
        if logged
        else "No switching can be seen in the frames: nothing warms up in step with anything"
    )
    return Finding(
        verdict=CANNOT_TELL if logged else NO_HOT_SPOT,
        false_alarm_probability=1.0,
        spots=(),
        suspects=(),
        registration=line.registration,
        switching=switching,
        frames=frame_counts(line.audit),
        heat=heat,
        warnings=(*line.warnings, warning),
    )


def registration_of(recording: Recording, *, board: Board | None) -> Registration:
    """Return the registration of a recording; what is wrong with it becomes a warning."""
    try:
        return fit_registration(recording.landmarks, board)
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


def frame_counts(audit: FrameAudit) -> FrameCounts:
    """Return what became of the frames."""
    return FrameCounts(
        total=len(audit.used),
        used=int(audit.used.sum()),
        repeated=int(audit.repeated.sum()),
        shutter=int(audit.shutter.sum()),
        moved=int(audit.moved.sum()),
    )
