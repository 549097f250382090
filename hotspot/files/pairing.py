"""Pairing the parts of a centroid table with those of a netlist, in one frame of coordinates."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

import numpy as np

from hotspot.checks import FloatArray
from hotspot.errors import BoardError
from hotspot.files.bodies import PadGroup
from hotspot.files.centroids import Placement

# The netlist's part and the centroid's part lie on one another within this, anchors of connectors
# and batteries (up to 4 mm off in real exports) included.
MATCH_MM = 8.0
# More parts than this share at other places: the files are of two boards, or one mixes its units.
_MOST_APART = 0.2
_CUT_REFERENCE = 6  # IPC-D-356 columns 21-26


def tell_unmatched(
    placements: Sequence[Placement],
    groups: Mapping[str, PadGroup],
    matched: Mapping[str, PadGroup],
    warnings: list[str],
) -> None:
    """Add sentences about parts that only one of the two files knows."""
    alone = [p.ref for p in placements if p.ref not in matched]
    used = {id(g) for g in matched.values()}
    left = [ref for ref, g in groups.items() if id(g) not in used]
    if alone:
        warnings.append(f"no netlist record for {listed(alone)}: nets unknown")
    if left:
        warnings.append(f"in the netlist but not placed: {listed(left)}")


def listed(refs: Sequence[str]) -> str:
    """Return the first few names in words."""
    shown = ", ".join(refs[:8])
    return shown if len(refs) <= 8 else f"{shown} and {len(refs) - 8} more"


def match_parts(
    placements: Sequence[Placement], groups: Mapping[str, PadGroup]
) -> dict[str, PadGroup]:
    """Pair centroids with netlist parts: by name, then by the cut name at the same place."""
    matched = {p.ref: groups[p.ref] for p in placements if p.ref in groups}
    taken = {id(g) for g in matched.values()}
    by_key: dict[str, list[PadGroup]] = {}
    for ref, group in groups.items():
        if id(group) not in taken:
            by_key.setdefault(_key(ref), []).append(group)
    pairs = []
    for p in placements:
        if p.ref in matched:
            continue
        for group in by_key.get(_key(p.ref), ()):
            pairs.append((group.distance_mm(p.x_mm, p.y_mm), p.ref, group))
    pairs.sort(key=lambda pair: pair[0])
    for distance, ref, group in pairs:
        if ref not in matched and id(group) not in taken and distance <= MATCH_MM:
            matched[ref] = group
            taken.add(id(group))
    return matched


def _key(ref: str) -> str:
    return ref[:_CUT_REFERENCE].upper()


def _anchors(
    placements: Sequence[Placement],
    groups: Mapping[str, PadGroup],
    *,
    keep: Callable[[Placement], bool] = lambda p: True,
) -> tuple[FloatArray, FloatArray]:
    """Return the places of parts found under one name in both files."""
    both = [(p, groups[p.ref]) for p in placements if p.ref in groups and keep(p)]
    own = np.array([(p.x_mm, p.y_mm) for p, _ in both], dtype=np.float64).reshape(-1, 2)
    pads = np.array([g.centre_mm for _, g in both], dtype=np.float64).reshape(-1, 2)
    return own, pads


def is_mirrored(placements: Sequence[Placement], groups: Mapping[str, PadGroup]) -> bool:
    """Tell whether the bottom side's x has the other sign.

    With a netlist: by the distance to the pads, the top side fixing the origin. Without: only when
    all of the bottom lies outside the top's width and its mirror image lies inside.
    """
    top = np.array([p.x_mm for p in placements if p.side == "top"])
    bottom = np.array([p.x_mm for p in placements if p.side == "bottom"])
    if not bottom.size or not top.size:
        return False
    own, pads = _anchors(placements, groups, keep=lambda p: p.side == "bottom")
    top_own, top_pads = _anchors(placements, groups, keep=lambda p: p.side == "top")
    if len(own) and len(top_own):
        shift = np.median(top_pads - top_own, axis=0)
        plain = np.median(np.abs(own[:, 0] + shift[0] - pads[:, 0]))
        mirrored = np.median(np.abs(-own[:, 0] + shift[0] - pads[:, 0]))
        return bool(mirrored < 0.5 * plain and plain > 1.0)
    margin = 0.05 * float(np.ptp(top)) + 1.0
    low, high = top.min() - margin, top.max() + margin
    outside = ((bottom < low) | (bottom > high)).all()
    inside = ((-bottom >= low) & (-bottom <= high)).all()
    return bool(outside and inside)


def to_one_frame(
    placements: Sequence[Placement], groups: dict[str, PadGroup], *, warnings: list[str]
) -> tuple[list[Placement], dict[str, PadGroup]]:
    """Bring the netlist into the centroids' frame: unit by ratio, origin and y sign by place."""
    own, pads = _anchors(placements, groups)
    if len(own) < 3 or np.ptp(pads, axis=0).max() == 0:
        return list(placements), groups
    spread_own, spread_pads = (np.median(np.abs(v - np.median(v, axis=0))) for v in (own, pads))
    ratio = spread_pads / spread_own if spread_own > 0 else 1.0
    scale = min((1.0, 0.0254, 25.4, 1 / 0.0254, 1 / 25.4, 0.001, 1000.0),
                key=lambda s: abs(np.log(s / ratio)))  # fmt: skip
    if scale != 1.0:
        warnings.append(f"the centroid table is scaled by {scale:g} to fit the netlist's pads")
        placements = [replace(p, x_mm=p.x_mm * scale, y_mm=p.y_mm * scale) for p in placements]
        own = own * scale
    # The mean decides between equals: of three parts two may fit both ways round.
    best = min(
        (1.0, -1.0),
        key=lambda sign: (round(_misfit(own, pads * [1.0, sign]), 3), _spread(own, pads, sign)),
    )
    pads = pads * [1.0, best]
    shift = np.median(own - pads, axis=0)
    misfit = _misfit(own, pads)
    if misfit > 1.0:
        warnings.append(
            f"centroids and netlist differ by {misfit:.1f} mm in the middle of the parts; "
            "are they of one board?"
        )
    _check_apart(placements, groups, np.hypot(*(own - pads - shift).T), warnings=warnings)
    if best < 0 or float(np.abs(shift).max()) > 0.01:
        groups = {ref: g.moved(shift, y_sign=best) for ref, g in groups.items()}
    return list(placements), groups


def _check_apart(
    placements: Sequence[Placement],
    groups: Mapping[str, PadGroup],
    apart_mm: FloatArray,
    *,
    warnings: list[str],
) -> None:
    """Tell of parts that the two files put at different places; refuse when they are many.

    Raises
    ------
    BoardError
        More than a fifth of the parts are not where their pads are.
    """
    refs = [p.ref for p in placements if p.ref in groups]
    far = [(ref, float(d)) for ref, d in zip(refs, apart_mm, strict=True) if d > MATCH_MM]
    if not far:
        return
    far.sort(key=lambda pair: -pair[1])
    said = f"{len(far)} of {len(refs)} parts are not where the netlist has their pads"
    if len(far) > _MOST_APART * len(refs):
        raise BoardError(
            f"{said} ({far[0][0]} by {far[0][1]:.0f} mm)",
            where="centroids and netlist",
            cure="Export both from one board, with all places in one unit",
        )
    warnings.append(f"{said}, check them: {listed([ref for ref, _ in far])}")


def _misfit(own: FloatArray, pads: FloatArray) -> float:
    difference = own - pads
    return float(np.median(np.abs(difference - np.median(difference, axis=0))))


def _spread(own: FloatArray, pads: FloatArray, sign: float) -> float:
    difference = own - pads * [1.0, sign]
    return float(np.mean(np.abs(difference - np.median(difference, axis=0))))
