"""The line from a recording to a finding, in readable steps."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from hotspot.beside import WARNING as BESIDE_WARNING
from hotspot.beside import on_the_board
from hotspot.board import Board
from hotspot.checks import FloatArray
from hotspot.errors import RecordingError
from hotspot.finding import CANNOT_TELL, HOT_SPOT, NO_HOT_SPOT, Finding
from hotspot.frame import Recording
from hotspot.heat.audit import audit_frames
from hotspot.heat.fit import restore_heat
from hotspot.heat.gather import Gathered, gather_bins
from hotspot.heat.picture import hottest_bin, rise_picture
from hotspot.heat.values import value_converter
from hotspot.hidden import with_hidden
from hotspot.likeness import without_mirrored_spots
from hotspot.line import (
    Line,
    build_line,
    check_cold,
    frame_counts,
)
from hotspot.locate.centre import SYSTEMATIC_PX
from hotspot.locate.detect import Scores
from hotspot.locate.field import Field, reddened
from hotspot.locate.peak import PeakRise
from hotspot.locate.places import outline_at
from hotspot.locate.scorer import Scorer
from hotspot.locate.separate import Describer
from hotspot.locate.spots import FoundSpot, find_at_parts, find_spots
from hotspot.locate.templates import Rendered, build_templates, render
from hotspot.look import look_at
from hotspot.outcome import chance_of, doubt_of, heat_seen, told_apart, without_drive
from hotspot.reflections import set_aside, warm_ones
from hotspot.register.registration import Registration
from hotspot.second_looks import CLEAR, Progress, Told, told_clearly
from hotspot.undisturbed import find_heat
from hotspot.weigh import ON_A_PART, Weighed, weigh

# A reading counts as a hot spot when noise alone would give one this strong in fewer than this
# share of recordings. What draughts and rooms leave in a picture is not quite noise and comes a few
# times as often (three of 110 cold recordings made by two generators lay between this and 0.001):
# a technician then meets a false alarm in fewer than one of a hundred boards.
FALSE_ALARM_LIMIT = 0.0002
# Fewer usable frames than this say nothing about noise, and so nothing about heat.
LEAST_FRAMES = 12

# From this SNR on, a spot's own wide heat is told from drift before weaker spots are looked for.
STRONG_SNR = 8.0
# From this one on its place is limited by how well its shape is known, not by noise: half the
# model error of `hotspot.weigh` at this SNR is ten times the noise.
SHAPE_LIMITED_SNR = 60.0


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


def conclude(line: Line, say: Progress) -> Told:
    """Return the finding from gathered frames, looked at once."""
    say(0.6, "finding when the output was on, and the heat")
    heated = find_heat(line)
    line, mirror = heated.line, heated.mirror
    emissivity = line.emissivity
    templates = build_templates(line.mm_per_px, dimmed=emissivity is not None)
    look = look_at(line, heated, templates=templates)
    if look is None:
        return Told(without_drive(line, heated.estimate.switching), line=line)
    switching, trials = look.estimate.switching, look.estimate.trials
    moving = line.moving or (mirror is not None and mirror.lively and not look.plain)
    line, fit, field = look.line, look.fit, look.field
    scorer = Scorer(fit, templates, sigma_px=line.sigma_px, emissivity=emissivity)

    def outline(xy_px: FloatArray) -> FloatArray | None:
        return outline_at(line.places, xy_px)

    describer = Describer(
        bad=field.bad, sigma_px=line.sigma_px, outline_at=outline, emissivity=line.shown
    )

    def spots_of(
        of: Field,
        before: tuple[FoundSpot, ...] = (),
        systematic_px: float = SYSTEMATIC_PX,
        first: Scores | None = None,
    ) -> tuple[tuple[FoundSpot, ...], Scores]:
        scale = scorer.measure_scale(of) if first is None else first.scale
        return find_spots(
            of,
            rescore=lambda f: scorer.score(f, scale=scale),
            first=first,
            before=before,
            systematic_px=systematic_px,
            limit=FALSE_ALARM_LIMIT,
            trials=trials,
            describer=describer,
        )

    say(0.8, "looking for spots")
    first = scorer.score(field)
    field, strongest, left = on_the_board(
        field, first, beside=line.beside, limit=FALSE_ALARM_LIMIT, trials=trials
    )
    snr = 0.0 if strongest is None else strongest.centre.snr
    # Far above the noise all are looked for otherwise.
    found, rest = ((), first) if snr > SHAPE_LIMITED_SNR else spots_of(field, first=first)
    if snr > STRONG_SNR:
        strong: tuple[FoundSpot, ...] = ()
        if snr > SHAPE_LIMITED_SNR:
            # What drift removal took in step was this heat: put back, it leaves no doubt.
            fit = replace(restore_heat(fit, line.calm_bins), doubt=np.zeros_like(fit.doubt))
            sharp = reddened(field, maps=fit.maps)
            first = scorer.score(sharp)
            strong, _ = spots_of(sharp, systematic_px=look.shape_px, first=first)
            field = (
                sharp
                if not strong
                else told_apart(line, fit, sharp, found=strong, describer=describer)
            )
        else:
            field = told_apart(line, fit, field, found=found, describer=describer)
        found, rest = spots_of(field, strong)
    say(0.9, "weighing the parts")

    def shown_as(template: int) -> Rendered:
        return render(
            templates[template],
            contrasts=fit.contrasts,
            age_s=fit.atoms.age_s,
            padded=field.padded,
            inverse_noise=field.inverse_noise,
            sigma_px=line.sigma_px,
        )

    rise = rise_picture(fit)
    peak = PeakRise(
        field=field,
        course=fit.contrasts.courses[:, hottest_bin(fit)],
        rise=rise,
        describer=describer,
        render=shown_as,
        strong_snr=SHAPE_LIMITED_SNR,
    )

    def weighed_of(spots: tuple[FoundSpot, ...]) -> Weighed:
        return weigh(
            spots,
            board=line.board,
            rail=line.rail,
            places=line.places,
            priors=line.priors,
            registration=line.registration,
            field=field,
            rest=rest,
            peak_k=peak.of,
            mm_per_px=line.mm_per_px,
        )

    logged, moved = line.recording.injection is not None, bool(line.audit.moved.any())
    # What moves at times of its own is mirrored; a spot beside it may still be the short.
    mirrored_spots: tuple[FoundSpot, ...] = ()
    found = warm_ones(found, rise_k=rise)
    if not moved:
        found, mirrored_spots = set_aside(found, field=field, logged=logged, moving=moving)
    weighed = weighed_of(found)
    # A spot on no part of the rail does not hide a weaker one that is on one.
    if weighed.on_rail < ON_A_PART or not any(spot.role == "fault" for spot in weighed.spots):
        extra = find_at_parts(
            rest,
            places=line.candidates,
            allowed=field.searched,
            limit=FALSE_ALARM_LIMIT,
            trials=trials,
        )
        if extra is not None:
            found = (*found, extra)
            weighed = weighed_of(found)
    # What passed has shown the mirrors: spots that look like them are mirrored as well.
    like_mirrors: tuple[FoundSpot, ...] = ()
    if heated.passed is not None and not moved and weighed.on_rail > ON_A_PART:
        roles = [spot.role for spot in weighed.spots]
        found, like_mirrors = without_mirrored_spots(
            found, roles=roles, field=field, mirror=heated.passed
        )
    if like_mirrors:
        weighed = weighed_of(found)
    if not found and mirrored_spots:
        found, mirrored_spots = mirrored_spots, ()
        weighed = weighed_of(found)

    def doubt_about(spots: tuple[FoundSpot, ...], seen: Weighed) -> str | None:
        return doubt_of(
            line,
            seen,
            field=field,
            found=spots,
            mirrored=len(mirrored_spots),
            moving=moving,
            passed=heated.left_out_s > 0,
            plain=look.plain,
            switching=switching,
            chance=chance_of(spots, first, field, trials),
        )

    doubt = doubt_about(found, weighed)
    unclear = weighed.on_rail < CLEAR or doubt is not None
    if unclear and not (moved or moving or mirrored_spots or like_mirrors or look.plain):
        hidden = with_hidden(
            found,
            roles=[spot.role for spot in weighed.spots],
            field=field,
            places=line.candidates,
            course=peak.course,
            describer=describer,
            rescore=lambda f: scorer.score(f, scale=rest.scale),
            trials=trials,
        )
        if hidden and doubt_about(hidden, beside := weighed_of(hidden)) is None:
            found, weighed, doubt = hidden, beside, None
    chance = chance_of(found, first, field, trials)
    shown = shown_as(found[0].centre.template if found else 0)
    heat = heat_seen(line, fit, field, found=found, shown=shown)
    verdict = HOT_SPOT if found else NO_HOT_SPOT
    spots, suspects, warnings = weighed.spots, weighed.suspects, weighed.warnings
    if mirrored_spots or like_mirrors:
        others = weighed_of((*mirrored_spots, *like_mirrors)).spots
        spots = (*spots, *(replace(s, role="unknown") for s in others))
    if found and doubt is not None:
        verdict, suspects, warnings = CANNOT_TELL, (), (doubt,)
        spots = tuple(replace(s, role="unknown") for s in spots)
    finding = Finding(
        verdict=verdict,
        false_alarm_probability=chance,
        spots=spots,
        suspects=suspects if found else (),
        registration=line.registration,
        switching=switching,
        frames=frame_counts(line.audit),
        heat=heat,
        warnings=(*line.warnings, *heated.warnings, *warnings, *((BESIDE_WARNING,) * left)),
        steps=heat.steps,
    )
    seen = mirror if moving else None
    return Told(finding, line=line, mirror=seen, beside_heat=heated.beside_heat)
