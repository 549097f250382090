"""When what looks like heat must not be given a part's name, and what to do then.

What is mirrored changes in many places at once, and none stands out, or at times of its own; a
short is one place on the rail, perhaps two, and follows the switching.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hotspot.heat.pads import FEWEST_PADS
from hotspot.reasons import BEGUN, COOLING, MIRRORED, OFF_PARTS, ON_A_CAN, WEAK, WEAK_UNLOGGED

# So many alike are not one short, and two shorts with the path between them are rarely so alike.
FEWEST_EQUALS = 3
# So many spots of half the strongest's SNR and more, itself included, are a hand's, however near to
# one another: a clump of five in metal (0.54 and more of an SNR of 54) was named on a board with
# nothing shorted. What taking a spot away leaves over is an eighth of it.
FEWEST_CROWD = 4
# A part named with this probability stands against equals: the part map says that one of them is
# where a part can fail.
CERTAIN = 0.9
# ... and with this one against three or more, and only where they are strong: beside a real short
# two more were never as strong (187 recordings by two generators; of 20 in false colour, in one),
# while three pads that mirrored a hand had SNRs of 21 to 29, the strongest of them on a part.
NO_OTHER = 0.98
# A spot whose quiet contrasts hold more than this share of its signal does not follow the
# switching: real ones, quick bodies and knocked cameras included, stayed below 0.12, what moves
# reaches 1 and more. Where something is seen to move, the limit is narrower.
MOST_MISFIT, MOST_MISFIT_MOVING = 0.3, 0.07
# Moments read off the frames are a little off, but they were chosen so that this very spot follows
# them: of a single pad that mirrors a restless room, all but 0.14 did. Real ones stayed below 0.05
# (63 recordings of two generators without a log), save strong ones: 30 K in grey video had 0.13.
MOST_MISFIT_UNLOGGED = 0.1
# What passed may be mirrored still where it was left out too narrowly: a can had 0.26 at 31 sigma
# on a board with nothing shorted, of some 60 real ones one had 0.097 and the others half of it.
MOST_MISFIT_PASSED = 0.15
# Beside places that move at times of their own, a spot that follows the switching is believed from
# this SNR on: what a passing hand left alone in one place and in step with the switching reached
# 9.6 where parts were known (of some 90 recordings of hands and nothing shorted) ...
LEAST_BESIDE = 10.0
# ... from this one on when what moved came and went, and the moments it was there are left out,
# unless that is most of the recording (a board with nothing shorted was named at an SNR of 7.6 when
# 14 of 21 s had been left out) ...
LEAST_AFTERWARDS = 6.0
# ... and from this one on where no part map says that a part of the rail is there: it reached 12 in
# twelve made scenes (`tests/heat/test_mirror.py`, seeds 4 to 15).
LEAST_BESIDE_UNMAPPED = 20.0
# ... and below this one the part must be as sure as one that stands against equals (NO_OTHER): of
# 17 real ones named there all were (0.995 and more), while a hand that came with the current left a
# large chip with 0.96 at an SNR of 10 on a board with nothing shorted. Nor may so many places as
# would count as equals be known to move: it may be one of them that keeps time by chance (a pad of
# a row at an SNR of 16, beside five; real ones had one such at most below this SNR).
SURE_BESIDE = 20.0
# ... and where two are alike, which two shorts may be and two pads usually are, from this one on.
STRONG_BESIDE = 60.0
# Without a log, a single injection that seems to begin with the recording is what drift looks like,
# whose steepest part is the camera's warming up: a technician starts the recording, then switches.
# In three of ten cold recordings in which something could be seen it began in the first second; no
# real one was read as beginning before 2.3 s, trains of pulses apart.
LEAST_COLD_S = 1.5
# Without a log, a spot on which no part is more probable than this is not believed: switching that
# was read off the frames may be something else's.
LEAST_UNLOGGED = 0.35
# Where the parts of the rail are known, a spot on none of them (no part more probable than the
# above) is believed from this SNR on: no current flows there, and what rooms, draughts and hands
# leave reached 9, 10 and 19 (of 270 recordings in which nothing is shorted, by two generators).
LEAST_OFF_PARTS = STRONG_BESIDE
# What noise gives more often than this must also be well on a part of the rail, as noise hardly
# ever is, and not about as well on two: the parts of real ones had 0.89 and more (all but one of
# the 23 weakest that were found), that of noise 0.65. A board with nothing shorted was named at
# 2e-6 (its part had 0.59); of 312 that were named right one above 1e-6 had less than 0.8 (0.78).
SELDOM, LIKELY = 1e-6, 0.8
# With a log, and held against what other parts of the board show, this is enough: of 185 boards
# with nothing shorted one had a reading that others showed more seldom than in 100, at whatever
# probability, while of 60 shorts at an ideal SNR of 6 seven more are named, all of them right.
LIKELY_LOGGED = 0.6
# What other parts of the board show as often as this is noise, whatever theory says: a board
# with nothing shorted was named at 0.05 (theory: 6e-6). Of 279 boards with nothing shorted, by two
# generators, two had a reading at a part of the rail that others show more seldom than this, and of
# 120 shorts at an ideal SNR of 6 and 8 two thirds. Without a log it must be rarer still, for the
# switching was read off what is strongest: of a hundred such boards with nothing shorted two had
# 7e-5 and 4e-4, on parts of 0.99, of some 90 real shorts four were between the limit and 7e-4.
NOT_SELDOM, NOT_SELDOM_UNLOGGED = 0.003, 2e-5
# Switching that was read off the frames was read off the best of many places: of some 40 real ones
# without a log one was above this (5e-6), of a hundred recordings in which nothing is shorted two
# were (2e-6, 2e-5). However seldom, near the noise it must be well on a part as well: of some 130
# shorts without a log that were named right all were (LIKELY), while one that was named wrong had
# 0.58, and what drifted over a board with nothing shorted 0.72 at an SNR of 8.
SELDOM_UNLOGGED = 1e-6
# ... unless it is a part beyond doubt: of nine shorts that were found there (hand-switched pulses
# and steps at an ideal SNR of 6 to 22) six had 0.994 and more, one was found in the wrong place
# (0.983), and of what no other rule refuses on 126 boards with nothing shorted the likeliest part
# had 0.91.
BEYOND_DOUBT_A_PART = 0.99
# ... and above this one very well: of 100 named right one was above it (3e-7, its part had 1.00),
# and one board with nothing shorted (7e-7, a large chip with 0.87).
NEARLY_SELDOM_UNLOGGED, VERY_LIKELY = 1e-7, 0.95


@dataclass(frozen=True, slots=True)
class Mirrored:
    """Signs of something mirrored.

    Attributes
    ----------
    equals
        Spots about as strong as the strongest, itself included.
    restless
        Places that change at times of their own.
    misfit
        Largest share of what a spot does that is at times of its own, of the strongest spot and
        its equals.
    mirrored
        Spots known to move at times of their own, which the others were judged beside.
    snr
        Of the strongest spot.
    moving
        Whether something was seen to move in the mirrors, and was taken out as far as possible.
    leads
        Whether the strongest spot beside the path is the fault.
    passed
        Whether something moved at times, and these were left out.
    fault_snr
        Of the strongest spot that is the fault; 0 where none is. Tracks and vias that carry the
        current may show more than it does.
    plain
        Whether display video was looked at plainly (`hotspot.look`): how strong a spot is then says
        nothing of whether it is heat.
    scattered
        Spots far from one another of a third of the strongest's SNR and more, itself included.
    twin
        Whether a spot near the noise has an equal right beside it: one thing, and no spot. Of 64
        shorts found there, by two generators, none had; of some 260 recordings in which nothing is
        shorted one had, a draught over a part of the rail, which was named.
    turned
        Whether the scale of a display was turned over: what comes into the picture then makes
        all else seem to warm, in many places at once.
    crowd
        Spots of half the strongest's SNR and more, itself included.
    """

    equals: int
    restless: int
    misfit: float = 0.0
    mirrored: int = 0
    snr: float = np.inf
    moving: bool = False
    leads: bool = True
    fault_snr: float = 0.0
    passed: bool = False
    plain: bool = False
    scattered: int = 1
    twin: bool = False
    turned: bool = False
    crowd: int = 1

    def doubt(
        self,
        *,
        logged: bool,
        moved: bool,
        best: float,
        mapped: bool = True,
        cold_s: float = np.inf,
        chance: float = 0.0,
        on_a_can: bool = False,
        mostly_passed: bool = False,
        cooling: bool = False,
    ) -> str | None:
        """Return why no part may be named, a sentence with the cure, or None where one may be.

        Parameters
        ----------
        logged
            Whether the switching was written down; switching read off the frames may be the
            hand's own coming and going.
        moved
            Whether the camera was knocked: edges of pads are then restless of themselves.
        best
            Probability of the likeliest part of the rail; 1 where no part map is known.
        mapped
            Whether a part map is known.
        cold_s
            How long the recording was cold before the (single) injection began.
        chance
            False-alarm probability of the reading.
        on_a_can
            Whether the strongest spot beside the path lies on a shield can.
        mostly_passed
            Whether what passed took most of the recording with it.
        cooling
            Whether what the strongest spot does began before the switching
            (`hotspot.heat.cooling`).
        """
        if self.twin or (self.plain and self.equals > 1):
            return MIRRORED
        if self.turned and (self.equals > 1 or self.scattered >= FEWEST_EQUALS):
            return MIRRORED
        # Places that change alike: one of two must be well on a part of the rail, one of three must
        # also be the strongest, and strong.
        if mapped and self.equals > 1 and best < CERTAIN and self.snr < STRONG_BESIDE:
            return MIRRORED
        # However strong: a hand that comes with the current is in many places, and on no part.
        moves = self.moving or self.passed or self.mirrored > 0
        if mapped and self.scattered >= FEWEST_EQUALS and best < (NO_OTHER if moves else CERTAIN):
            return MIRRORED
        if mapped and self.crowd >= FEWEST_CROWD and self.snr < STRONG_BESIDE and not self.plain:
            return MIRRORED
        clear = self.leads and best > NO_OTHER and self.snr > STRONG_BESIDE
        if mapped and self.equals >= FEWEST_EQUALS and not clear:
            return MIRRORED
        plainly_a_part = mapped and best > NO_OTHER and self.fault_snr > STRONG_BESIDE
        if mapped and not logged and not self.leads and not plainly_a_part:
            return OFF_PARTS
        sure_after = best >= least_probability_beside(self.snr)
        least_after = LEAST_BESIDE if mostly_passed else LEAST_AFTERWARDS
        clear_after = sure_after and self.snr >= least_after and self.leads
        if self.passed and not clear_after:
            return MIRRORED
        if (self.moving or self.mirrored > 0) and self._lost_beside(best, mapped=mapped):
            return MIRRORED
        most = most_misfit(self.moving, logged=logged, snr=self.snr)
        if self.passed:
            most = min(most, MOST_MISFIT_PASSED)
        if not moved and self.misfit > most:
            return MIRRORED
        if cooling:
            return COOLING
        if best < LEAST_UNLOGGED and on_a_can:
            return ON_A_CAN
        if best < LEAST_UNLOGGED and (self.snr < LEAST_OFF_PARTS or not logged):
            return OFF_PARTS
        if chance > (NOT_SELDOM if logged else NOT_SELDOM_UNLOGGED):
            return WEAK if logged else WEAK_UNLOGGED
        # Without a part map no spot leads: nothing speaks for a weak one.
        if chance > SELDOM and (best < (LIKELY_LOGGED if logged else LIKELY) or not self.leads):
            return WEAK if logged else WEAK_UNLOGGED
        if logged:
            return None
        if chance > NEARLY_SELDOM_UNLOGGED and best < VERY_LIKELY:
            return WEAK_UNLOGGED
        if chance > SELDOM_UNLOGGED and best < BEYOND_DOUBT_A_PART:
            return WEAK_UNLOGGED
        if best < LIKELY and self.snr < STRONG_BESIDE:
            return WEAK_UNLOGGED
        if cold_s < LEAST_COLD_S and self.snr < STRONG_BESIDE:
            return BEGUN
        # Strong heat leaves restless pads itself, where copper answers unlike any in the family.
        if moved or plainly_a_part:
            return None
        return MIRRORED if self.restless >= FEWEST_PADS else None

    def _lost_beside(self, best: float, *, mapped: bool) -> bool:
        """Return whether a spot is not clear enough beside what moves."""
        least_snr = LEAST_BESIDE if mapped else LEAST_BESIDE_UNMAPPED
        if self.mirrored >= FEWEST_EQUALS:
            least_snr = SURE_BESIDE
        # What is seen off the parts, stronger than the fault, may be what moves.
        snr = self.fault_snr if mapped and self.fault_snr > 0 else self.snr
        if snr < least_snr or best < least_probability_beside(snr):
            return True
        return self.equals > 1 and self.snr < STRONG_BESIDE


def least_probability_beside(snr: float) -> float:
    """Return how probable the part of a spot must be beside what moves or has moved.

    Parameters
    ----------
    snr
        Of the spot.
    """
    return CERTAIN if snr >= SURE_BESIDE else NO_OTHER


def most_misfit(moving: bool, *, logged: bool, snr: float) -> float:
    """Return the share of a spot that may be out of step.

    Parameters
    ----------
    moving
        Whether something was seen to move in the mirrors.
    logged
        Whether the switching was written down.
    snr
        Of the spot.
    """
    if not logged and (moving or snr < STRONG_BESIDE):
        return MOST_MISFIT_UNLOGGED
    return MOST_MISFIT_MOVING if moving else MOST_MISFIT
