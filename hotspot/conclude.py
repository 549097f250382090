"""From what is known of a recording to its finding, looked at once: heat, spots, parts, doubts."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from hotspot.beside import WARNING as BESIDE_WARNING
from hotspot.detection_limit import detection_limit, too_little
from hotspot.doubts import NOT_SELDOM
from hotspot.finding import (
    CANNOT_TELL,
    HOT_SPOT,
    NO_HOT_SPOT,
    DetectionLimit,
    Finding,
    Suspect,
)
from hotspot.hidden import with_hidden
from hotspot.likeness import without_mirrored_spots
from hotspot.line import Line
from hotspot.locate.at_parts import PartNoise, find_at_parts, find_by_others, read_part_noise
from hotspot.locate.detect import Scores
from hotspot.locate.levelled import levelled
from hotspot.locate.peak import PeakRise
from hotspot.locate.spots import FoundSpot
from hotspot.locate.templates import build_templates
from hotspot.look import Look, look_at
from hotspot.outcome import chance_of, doubt_of, heat_seen, without_drive
from hotspot.reasons import OF_NOISE, WEAK, WEAK_UNLOGGED
from hotspot.reflections import set_aside, warm_ones
from hotspot.second_looks import CLEAR, Progress, Told
from hotspot.spotting import FALSE_ALARM_LIMIT, Search, Seen, search_of
from hotspot.steps import frame_counts, steps_taken
from hotspot.undisturbed import Heated, find_heat
from hotspot.weigh import ON_A_PART, Weighed, weigh

# A reading at a part of the rail that other parts reach less often than this is a hint: no hot
# spot, but nothing is ruled out either.
HINT_LIMIT = 0.05
# ... if one part explains it better than this; a reading that any of ten explains points at none.
LEAST_HINTED = 0.35
# Below this SNR theory is held against what other parts show: where a room drifts, their noise was
# up to 1.7 times what theory makes of it, and of 12 that leaves 7, which no noise reaches.
NEAR_NOISE_SNR = 12.0
# A hint is as likely as not to be noise, at best: its parts share half of the probability.
AS_LIKELY_AS_NOT = 0.5


def conclude(line: Line, say: Progress) -> Told:
    """Return the finding from gathered frames, looked at once.

    Parameters
    ----------
    line
        What is known.
    say
        Progress, as of `hotspot.find.find`.
    """
    say(0.6, "finding when the output was on, and the heat")
    heated = find_heat(line)
    templates = build_templates(heated.line.mm_per_px, dimmed=heated.line.emissivity is not None)
    look = look_at(heated.line, heated, templates=templates)
    if look is None:
        return Told(without_drive(heated.line, heated.estimate.switching), line=heated.line)
    moving = look.line.moving or (
        heated.mirror is not None and heated.mirror.lively and not look.plain
    )
    search = search_of(look, templates)
    say(0.8, "looking for spots")
    seen = search.seen(look)
    say(0.9, "weighing the parts")
    judge = _Judge(
        look=look,
        heated=heated,
        search=search,
        seen=seen,
        faint=levelled(seen.rest, allowed=seen.field.searched),
        peak=search.peak(seen),
        moving=moving,
    )
    finding = judge.finding(judge.judged())
    mirror = heated.mirror if moving else None
    return Told(finding, line=look.line, mirror=mirror, beside_heat=heated.beside_heat)


@dataclass(frozen=True, slots=True, eq=False)
class _Judged:
    """Spots that may be heat, weighed; others that are mirrored; why no part may be named.

    `hint` says that nothing but noise speaks against the parts.
    """

    found: tuple[FoundSpot, ...]
    weighed: Weighed
    mirrored: tuple[FoundSpot, ...]
    doubt: str | None
    hint: bool


@dataclass(frozen=True, slots=True, eq=False)
class _Judge:
    """Which spots are heat, and which part is the warm one.

    `faint` are the scores of what the spots leave, in units of the noise that this picture shows;
    `moving` says that something was seen to move in the mirrors of this look.
    """

    look: Look
    heated: Heated
    search: Search
    seen: Seen
    faint: Scores
    peak: PeakRise
    moving: bool

    @property
    def line(self) -> Line:
        """What is known."""
        return self.look.line

    @property
    def moved(self) -> bool:
        """Whether the camera was knocked."""
        return bool(self.line.audit.moved.any())

    def judged(self) -> _Judged:
        """Return the spots that may be heat, with their parts and the doubts about them."""
        line, seen = self.line, self.seen
        logged = line.recording.injection is not None
        # What moves at times of its own is mirrored; a spot beside it may still be the short.
        aside: tuple[FoundSpot, ...] = ()
        found = warm_ones(seen.found, rise_k=self.peak.rise)
        if not self.moved:
            found, aside = set_aside(found, field=seen.field, logged=logged, moving=self.moving)
        weighed = self.weighed(found)
        # A spot on no part of the rail does not hide a weaker one that is on one.
        if weighed.on_rail < ON_A_PART or not any(s.role == "fault" for s in weighed.spots):
            extra = find_at_parts(
                self.faint,
                places=line.candidates,
                allowed=seen.field.searched,
                limit=FALSE_ALARM_LIMIT,
                trials=self.search.trials,
            )
            if extra is None and logged and not (self.moving or self.moved):
                extra = self.at_a_part(limit=NOT_SELDOM)
            if extra is not None:
                found = (*found, extra)
                weighed = self.weighed(found)
        # What passed has shown the mirrors: spots that look like them are mirrored as well.
        alike: tuple[FoundSpot, ...] = ()
        passed = self.heated.passed
        if passed is not None and not self.moved and weighed.on_rail > ON_A_PART:
            roles = [spot.role for spot in weighed.spots]
            found, alike = without_mirrored_spots(
                found, roles=roles, field=seen.field, mirror=passed
            )
        if alike:
            weighed = self.weighed(found)
        if not found and aside:
            found, aside = aside, ()
            weighed = self.weighed(found)
        doubt = self.doubt(found, weighed, aside=aside)
        clear = weighed.on_rail >= CLEAR and doubt is None
        calm = not (self.moved or self.moving or aside or alike or self.look.plain)
        if calm and not clear:
            hidden = self.hidden(found, weighed)
            if hidden is not None:
                found, weighed, doubt = *hidden, None
        calm = calm and self.heated.left_out_s == 0
        faint = None if found or not calm else self.at_a_part(limit=HINT_LIMIT)
        if faint is not None:
            hinted = self.weighed((faint,))
            if hinted.on_rail >= LEAST_HINTED:
                found, weighed = (faint,), hinted
                doubt = WEAK if logged else WEAK_UNLOGGED
        return _Judged(found, weighed, (*aside, *alike), doubt, hint=calm and doubt in OF_NOISE)

    def at_a_part(self, *, limit: float) -> FoundSpot | None:
        """Return what the spots leave at a part of the rail, if others seldom show as much."""
        on_rail = {place.ref for place in self.line.candidates}
        return find_by_others(
            self.faint,
            places=self.line.candidates,
            others=tuple(place for place in self.line.places if place.ref not in on_rail),
            allowed=self.seen.field.searched,
            limit=limit,
            trials=self.search.trials,
        )

    def weighed(self, spots: tuple[FoundSpot, ...]) -> Weighed:
        """Return spots with their roles and suspects."""
        line, seen = self.line, self.seen
        return weigh(
            spots,
            board=line.board,
            rail=line.rail,
            places=line.places,
            priors=line.priors,
            registration=line.registration,
            field=seen.field,
            rest=seen.rest,
            peak_k=self.peak.of,
            mm_per_px=line.mm_per_px,
        )

    def doubt(
        self, spots: tuple[FoundSpot, ...], weighed: Weighed, *, aside: tuple[FoundSpot, ...]
    ) -> str | None:
        """Return why no part of these spots may be named, or None."""
        return doubt_of(
            self.line,
            weighed,
            fit=self.seen.fit,
            field=self.seen.field,
            found=spots,
            mirrored=len(aside),
            moving=self.moving,
            left_out_s=self.heated.left_out_s,
            plain=self.look.plain,
            switching=self.look.estimate.switching,
            chance=self.chance(spots),
        )

    def hidden(
        self, found: tuple[FoundSpot, ...], weighed: Weighed
    ) -> tuple[tuple[FoundSpot, ...], Weighed] | None:
        """Return the spots with one that a warmer path hides, where no doubt is left of it."""
        line, rest = self.line, self.seen.rest
        spots = with_hidden(
            found,
            roles=[spot.role for spot in weighed.spots],
            field=self.seen.field,
            places=line.candidates,
            course=self.peak.course,
            describer=self.search.describer,
            rescore=lambda f: self.search.scorer.score(f, scale=rest.scale),
            trials=self.search.trials,
        )
        if not spots:
            return None
        beside = self.weighed(spots)
        return None if self.doubt(spots, beside, aside=()) is not None else (spots, beside)

    def chance(self, spots: tuple[FoundSpot, ...]) -> float:
        """Return how often noise gives such a reading: by theory, or by what other parts show."""
        seen, line, trials = self.seen, self.line, self.search.trials
        by_theory = chance_of(spots, seen.first, seen.field, trials)
        snr = max((s.centre.snr for s in spots), default=np.inf)
        if snr > NEAR_NOISE_SNR or not line.candidates:
            return by_theory
        faint = max(spots, key=lambda s: s.centre.snr).scores is self.faint
        noise = self.part_noise(spots, scores=self.faint if faint else seen.rest)
        if noise is None:
            return by_theory
        return max(by_theory, noise.chance(snr, parts=len(line.candidates), trials=trials))

    def part_noise(self, spots: tuple[FoundSpot, ...], *, scores: Scores) -> PartNoise | None:
        """Return how high noise reaches at a part, as those show that are away from some spots."""
        return read_part_noise(
            scores,
            places=self.line.places,
            allowed=self.seen.field.searched,
            beside_px=tuple(s.centre.xy_px for s in spots),
        )

    def finding(self, judged: _Judged) -> Finding:
        """Return the finding."""
        line, seen = self.line, self.seen
        found, weighed, doubt = judged.found, judged.weighed, judged.doubt
        verdict = HOT_SPOT if found else NO_HOT_SPOT
        spots, suspects, warnings = weighed.spots, weighed.suspects, weighed.warnings
        if judged.mirrored:
            others = self.weighed(judged.mirrored).spots
            spots = (*spots, *(replace(s, role="unknown") for s in others))
        log = line.recording.injection
        # Where the moments are but guessed, so is what would have been seen.
        limit = None if log is None or (found and not judged.hint) else self.limit(found)
        little = None if limit is None or log is None else too_little(limit, log)
        if found and doubt is not None:
            verdict, warnings = CANNOT_TELL, (doubt,)
            suspects = _halved(suspects) if judged.hint else ()
            spots = tuple(replace(s, role="unknown") for s in spots)
        if little is not None:
            verdict, warnings = CANNOT_TELL, (*warnings, little)
        shown = self.search.rendered(found[0].centre.template if found else 0, seen)
        heat = heat_seen(line, seen.fit, seen.field, found=found, shown=shown)
        beside = (BESIDE_WARNING,) * seen.left_beside
        counts = frame_counts(line)
        return Finding(
            verdict=verdict,
            false_alarm_probability=self.chance(found),
            spots=spots,
            suspects=suspects if found else (),
            registration=line.registration,
            switching=self.look.estimate.switching,
            frames=counts,
            heat=heat,
            warnings=(*line.warnings, *self.heated.warnings, *warnings, *beside),
            steps=steps_taken(counts, self.heated, self.look),
            limit=limit,
        )

    def limit(self, found: tuple[FoundSpot, ...]) -> DetectionLimit | None:
        """Return how weak a short would have been seen, where a hint is all that was found."""
        return detection_limit(
            self.line,
            self.seen.fit,
            self.seen.field,
            scores=self.seen.first,
            trials=self.search.trials,
            limit=FALSE_ALARM_LIMIT,
            noise=self.part_noise(found, scores=self.seen.rest),
        )


def _halved(suspects: tuple[Suspect, ...]) -> tuple[Suspect, ...]:
    """Return the suspects of a hint."""
    return tuple(replace(s, probability=AS_LIKELY_AS_NOT * s.probability) for s in suspects)
