"""Landmarks clicked on two pictures of one board: the map between them, with its error."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import numpy as np

from hotspot.checks import FloatArray, check_at_least, check_points, check_positive
from hotspot.errors import RegistrationError
from hotspot.register.clicks import (
    check_spread,
    find_line,
    find_wrong_clicks,
    leave_one_out,
    measure_scale,
    names,
)
from hotspot.register.find_lens import LensFit, find_lens, find_lens_and_wrong
from hotspot.register.fitting import is_mirrored, map_points
from hotspot.register.lens import Lens
from hotspot.register.levels import TILT_LEVELS, Fit, fit_levels
from hotspot.register.registration import PlaneMap
from hotspot.register.unseen_tilt import tilt_cov

MODELS = ("similarity", "affine", "homography")
_FEWEST = {"similarity": 2, "affine": 3, "homography": 4}
# A person points at a feature in a 256-pixel-wide picture to within a pixel: 0.3-1 px when the
# picture is shown enlarged (common practice, no source).
CLICK_SIGMA_PX = 0.7
# The noise assumed may be too small (a shaky hand, a blurred feature): factors on it with -2 ln of
# their prior odds, each step half as likely as the one before.
NOISE_LEVELS = ((1.0, 0.0), (1.6, 1.4), (2.5, 2.8))
# Three clicks whose triangle is lower than this many sigma of a click say nothing of their order:
# the height of one errs by up to 1.4 sigma, and hands are shakier than assumed.
FLAT_SIGMAS = 4.0


def choose_model(count: int) -> str:
    """Return the model that `count` landmarks can fix: 2 similarity, 3 affine, 4+ homography.

    Raises
    ------
    RegistrationError
        Below two landmarks.
    """
    if count < 2:
        raise RegistrationError(
            f"{count} landmark{'' if count == 1 else 's'} cannot fix a mapping",
            cure="Click at least two, better four to eight, spread over the board",
        )
    return MODELS[min(count, 4) - 2]


def fit_plane_map(
    source_points: FloatArray,
    destination_points: FloatArray,
    *,
    click_sigma_source_px: float = CLICK_SIGMA_PX,
    click_sigma_destination_px: float = 1.0,
    model: str = "auto",
    tilt_prior: bool = True,
    find_wrong: bool = True,
    shape: tuple[int, int] | None = None,
    sides: tuple[str, str] = ("first picture", "second picture"),
) -> PlaneMap:
    """Fit the plane map source → destination to pairs of clicks.

    Maximum likelihood with errors on both sides, started from the similarity (or, without the tilt
    prior, from the normalised direct linear transformation). The tilt prior says that a camera
    over a board looks nearly straight down, at a strength that the clicks themselves choose: with
    four clicks of 1 px noise it halves the error inside the hull of the clicks and takes most of
    it away outside; with many good clicks it has no weight. Where too few clicks can show a tilt,
    what it would do goes into the covariance.

    Parameters
    ----------
    source_points, destination_points
        (n, 2) pairs, n >= 2.
    click_sigma_source_px, click_sigma_destination_px
        Standard deviation of a click's coordinate, each in its own side's units (pixels or mm).
        With the source's at 0, `tilt_prior` and `find_wrong` off, the result is plain least
        squares of the reprojection error in the destination.
    model
        "auto" (2 points similarity, 3 affine, 4 or more homography; affine when all but one of
        the points lie on a line), or one of these names.
    tilt_prior
        Whether to use the prior.
    find_wrong
        Whether to look for wrong clicks (needs two clicks more than the model's fewest, or one
        more with the tilt prior).
    shape
        (rows, cols) of the picture that the source points were clicked on; radial distortion of its
        lens is then taken into the map when eight or more clicks show it. None: not looked for.
    sides
        What source and destination are called in messages.

    Returns
    -------
    PlaneMap
        Its `outliers` are the wrong clicks, `leave_one_out_px` each click's distance from the map
        of the other trusted clicks (NaN when too few are left).

    Raises
    ------
    RegistrationError
        If the clicks cannot fix a map; the sentence names them.
    ValueError
        For arrays of another shape, negative sigmas or an unknown model.
    """
    source = check_points(source_points, name="source_points")
    destination = check_points(destination_points, name="destination_points")
    if len(source) != len(destination):
        raise ValueError(
            f"source_points and destination_points must be pairs, got {len(source)} and "
            f"{len(destination)}"
        )
    sigma_source = check_at_least(click_sigma_source_px, bound=0.0, name="click_sigma_source_px")
    sigma_destination = check_positive(
        click_sigma_destination_px, name="click_sigma_destination_px"
    )
    chosen = choose_model(len(source)) if model == "auto" else model
    if chosen not in MODELS:
        raise ValueError(f"model must be 'auto' or one of {MODELS}, got {model!r}")
    if len(source) < _FEWEST[chosen]:
        raise RegistrationError(
            f"{len(source)} landmarks cannot fix a map of kind {chosen}",
            cure=f"Click at least {_FEWEST[chosen]}",
        )
    check_spread(source, sigma=sigma_source, side=sides[0])
    check_spread(destination, sigma=sigma_destination, side=sides[1])
    line = find_line(source, sigma=sigma_source) if chosen == "homography" else ()
    if line and model == "auto":
        chosen = "affine"
    elif line and not tilt_prior:
        raise RegistrationError(
            f"landmarks {names(line)} lie on one line: they do not fix a homography",
            cure="Add a landmark well away from that line",
        )
    mirrored = is_mirrored(source, destination)

    def fit_of(indices: list[int], lens: Lens | None, level: Fit | None = None) -> Fit:
        picked = source[indices]
        return _fit_over_levels(
            picked if lens is None else lens.straightened(picked),
            destination[indices],
            sigma=(sigma_source, sigma_destination),
            model=chosen,
            mirrored=mirrored,
            tilt_prior=tilt_prior,
            source_covs=None if lens is None else lens.straightened_covs(picked),
            level=level,
        )

    minimum = _FEWEST[chosen] + (0 if tilt_prior else 1)

    def wrong_of(lens: Lens | None) -> tuple[int, ...]:
        if not find_wrong:
            return ()
        return find_wrong_clicks(
            source if lens is None else lens.straightened(source),
            destination,
            sigma_source=sigma_source,
            sigma_destination=sigma_destination,
            fit=lambda indices: fit_of(indices, lens),
            minimum=minimum,
            rng=np.random.default_rng(0),  # the same clicks must give the same answer
        )

    def lens_of_clicks(indices: list[int]) -> LensFit | None:
        if shape is None:
            return None
        return find_lens(
            source[indices],
            destination[indices],
            shape=shape,
            sigma=(sigma_source, sigma_destination),
            mirrored=mirrored,
            fit=lambda lens: fit_of(indices, lens),
        )

    wrong, bent = wrong_of(None), None
    if chosen == "homography":
        wrong, bent = find_lens_and_wrong(
            len(source), wrong=wrong, wrong_of=wrong_of, lens_of_clicks=lens_of_clicks
        )
    lens = None if bent is None else bent.lens
    points = source if lens is None else lens.straightened(source)
    trusted = [i for i in range(len(source)) if i not in wrong]
    best = fit_of(trusted, lens)
    _check_front(
        best.matrix,
        points[trusted],
        destination[trusted],
        trusted,
        sigma=(sigma_source, sigma_destination),
    )
    distance = np.full(len(source), np.nan)
    if len(trusted) > _FEWEST[chosen] or (tilt_prior and len(trusted) >= 3):
        # At the level that all clicks together chose: one click less seldom chooses another.
        left_out = leave_one_out(
            points[trusted],
            destination[trusted],
            fit=lambda k: fit_of([trusted[i] for i in k], lens, best),
        )
        distance[trusted] = np.hypot(*left_out.T)
    if wrong:
        missed = destination[list(wrong)] - map_points(best.matrix, points[list(wrong)])
        distance[list(wrong)] = np.hypot(*missed.T)
    cov = best.cov * max(1.0, measure_scale(best)) ** 2
    if chosen != "homography" and tilt_prior:
        cov = cov + tilt_cov(
            best.matrix,
            points[trusted],
            model=chosen,
            mirrored=mirrored,
            shape=shape,
        )
    lens_cov: FloatArray = np.zeros(8)
    if bent is not None:
        lens_cov = bent.lens.k1_sigma**2 * bent.by_k1
        cov = cov + np.outer(bent.by_k1, lens_cov)
    return PlaneMap(
        matrix=best.matrix,
        parameter_cov=cov,
        model=chosen,
        rms_px=float(np.sqrt((best.residuals**2).sum(axis=1).mean())),
        outliers=wrong,
        leave_one_out_px=tuple(float(d) for d in distance),
        lens=lens,
        lens_cov=lens_cov,
    )


def _fit_over_levels(
    source: FloatArray,
    destination: FloatArray,
    *,
    sigma: tuple[float, float],
    model: str,
    mirrored: bool,
    tilt_prior: bool,
    source_covs: FloatArray | None = None,
    level: Fit | None = None,
) -> Fit:
    """Fit at each level of tilt and of click noise and average by how likely each level is.

    With `level`, only at the level that fit found likeliest.

    The average and its covariance (within plus between the levels) are those of Bayesian model
    averaging (Hoeting et al., Statistical Science 14 (1999)).
    """
    tilts: tuple[tuple[float, float], ...] | None = None
    if tilt_prior and model != "similarity":
        tilts = TILT_LEVELS
    noises = NOISE_LEVELS if tilt_prior and len(source) > 3 else NOISE_LEVELS[:1]
    if level is not None:
        tilts = None if level.tilt is None else (level.tilt,)
        noises = ((level.noise, 0.0),)
    unlikely = dict(noises)
    fits = [
        replace(
            fit, evidence=fit.evidence + 4.0 * len(source) * np.log(fit.noise) + unlikely[fit.noise]
        )
        for fit in fit_levels(
            source,
            destination,
            sigma_source=sigma[0],
            sigma_destination=sigma[1],
            model=model,
            mirrored=mirrored,
            tilts=tilts,
            noises=tuple(unlikely),
            source_covs=source_covs,
        )
    ]
    best = min(fits, key=lambda f: f.evidence)
    weights = np.exp(-0.5 * np.array([f.evidence - best.evidence for f in fits]))
    evidence = best.evidence - 2.0 * float(np.log(weights.sum()))
    weights /= weights.sum()
    entries = np.array([f.matrix.ravel()[:8] for f in fits])
    mean = weights @ entries
    between = (entries - mean) * np.sqrt(weights)[:, None]
    matrix = np.append(mean, 1.0).reshape(3, 3)
    return replace(
        best,
        matrix=matrix,
        cov=np.einsum("l,lij->ij", weights, np.array([f.cov for f in fits])) + between.T @ between,
        residuals=destination - map_points(matrix, source),
        evidence=evidence,
    )


def _check_front(
    matrix: FloatArray,
    source: FloatArray,
    destination: FloatArray,
    numbers: list[int],
    *,
    sigma: tuple[float, float],
) -> None:
    """Refuse a map that no camera makes: board partly behind it, or clicks in a wrong order.

    Clicks are good to `sigma`, px, on the two sides.
    """
    w = np.c_[source, np.ones(len(source))] @ matrix[2]
    if not np.isfinite(matrix).all() or (w <= 0).any() or w.max() > 10 * w.min():
        raise RegistrationError(
            "the landmarks fit no view of a flat board",
            cure="Check that both pictures were clicked in the same order",
        )
    if len(source) < 4:
        return
    # Triples that turn one way on one side and the other way on the other side: swapped clicks.
    turned: dict[int, int] = dict.fromkeys(range(len(source)), 0)
    signs = []
    for triple in combinations(range(len(source)), 3):
        corners = [p[list(triple)] for p in (source, destination)]
        if any(_height(c) < FLAT_SIGMAS * s for c, s in zip(corners, sigma, strict=True)):
            continue  # three nearly on a line turn either way
        areas = [_area(c) for c in corners]
        signs.append((triple, np.sign(areas[0] * areas[1])))
    usual = np.sign(sum(s for _, s in signs))
    for triple, sign in signs:
        for i in triple:
            turned[i] += int(sign != usual)
    share = sum(s != usual for _, s in signs) / max(1, len(signs))
    if share > 0.2:
        worst = sorted(turned, key=lambda i: -turned[i])[:2]
        raise RegistrationError(
            f"landmarks {names([numbers[i] for i in worst])} do not follow the order of the others",
            cure="Check that both pictures were clicked in the same order",
        )


def _height(three: FloatArray) -> float:
    """Least height of a triangle."""
    longest = np.linalg.norm(three - np.roll(three, 1, axis=0), axis=1).max()
    return abs(_area(three)) / max(float(longest), 1e-12)


def _area(three: FloatArray) -> float:
    a, b = three[1] - three[0], three[2] - three[0]
    return float(a[0] * b[1] - a[1] * b[0])
