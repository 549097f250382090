"""Colours of a colour map that nobody knows, put in order."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import connected_components, dijkstra, minimum_spanning_tree
from scipy.spatial import cKDTree

from hotspot.checks import FloatArray
from hotspot.radiometry import LUMA_RGB, to_luminance

LEVELS = 256
LUMA = np.array(LUMA_RGB)
# Brightness is coded for every pixel, colour often for four at once (4:2:0 subsampling, ITU-T
# H.264 clause 6.2), so colour counts less: enough to tell branches of equal brightness apart.
COLOUR_WEIGHT = 0.35
# Lossy colours are gathered in cells of this many levels: finer than a map's turns. Four pixels
# that share their colour show the map's own where their brightness differs by no more than a cell.
CELL = 8
# Colours met in fewer places than this are accidents of the coding.
FEWEST_MET = 3
# Most cells looked at (the distances of all pairs are kept: 8 MB).
MOST_CELLS = 1000
# Neighbours on a map lie about as far apart as others do; where they lie this many times farther,
# colours in between were not seen.
GAP = 6.0
# From this number of pixels on a cell's mean is limited by the coding, some level, and not by their
# noise of three to six.
SURE_COUNT = 30
# The middle of lossy colours lies farther from them, on average, than a line that runs through each
# of them: half a level did, and two where a bend was cut.
CUT_LEVELS = 1.0
# Steps from colour to colour that tell how far one level goes: so many to either side, and of them
# the lower third, for where levels were not seen the steps are longer.
AROUND, ONE_LEVEL = 6, 0.35
# Fewer colours than this have no order worth the name.
FEWEST = 8


def weighted(rgb: FloatArray) -> FloatArray:
    """Return (n, 3) brightness and weighted colour differences of (n, 3) RGB (ITU-R BT.601-7)."""
    if len(rgb) == 0:
        return np.zeros((0, 3))
    luma = rgb @ LUMA
    blue = (rgb[:, 2] - luma) * 0.564 * COLOUR_WEIGHT
    red = (rgb[:, 0] - luma) * 0.713 * COLOUR_WEIGHT
    out: FloatArray = np.stack([luma, blue, red], axis=1)
    return out


def flat_colours(frames: NDArray[np.uint8]) -> tuple[FloatArray, FloatArray]:
    """Return colours of a lossy video that are the map's own, and how often each was met.

    Four pixels often share one colour, and across an edge that is neither side's: only where the
    four are alike does their mean lie on the map. The few of a small hot spot count as well.

    Parameters
    ----------
    frames
        (n, rows, cols, 3) RGB.

    Returns
    -------
    (m, 3) colours, (m,) counts, commonest first
    """
    rows, cols = frames.shape[1] // 2, frames.shape[2] // 2
    kept = []
    for frame in frames:  # one at a time, for as numbers they take four times as much
        fours = frame[: 2 * rows, : 2 * cols].reshape(rows, 2, cols, 2, 3)
        flat = np.ptp(to_luminance(fours), axis=(1, 3)) <= CELL
        kept.append(fours.mean(axis=(1, 3), dtype=np.float32)[flat])
    means = np.concatenate(kept)
    cell = (means // CELL).astype(np.int64) @ np.array([1 << 16, 1 << 8, 1])
    _, inverse, counts = np.unique(cell, return_inverse=True, return_counts=True)
    colours = np.stack([np.bincount(inverse, weights=c) / counts for c in means.T], axis=1)
    order = np.argsort(counts, kind="stable")[::-1]
    order = order[counts[order] >= FEWEST_MET][:MOST_CELLS]
    return colours[order], counts[order].astype(np.float64)


def fit_curve(colours: FloatArray, counts: FloatArray, *, exact: bool) -> FloatArray | None:
    """Return a (256, 3) curve through colours, dark end first, or None when there are too few.

    Notes
    -----
    The longest path through the minimum spanning tree of colours is the order of a map that runs
    through colour space without branches. Where colours in between were not seen, a gap tells
    nothing of what follows what: the far side is put beyond the nearer end, and not on whichever
    bend of the map it lies next to.

    Parameters
    ----------
    colours
        (n, 3) RGB.
    counts
        (n,) how often each was met.
    exact
        Whether they are the map's own to the last level; where coding blurred them, their
        differences in colour count less than those in brightness.
    """
    if len(colours) < FEWEST:
        return None
    space = colours if exact else weighted(colours)
    apart = np.linalg.norm(space[:, None] - space[None], axis=2) + 1e-6
    # Squared lengths make the tree follow many short steps rather than a short cut.
    tree = minimum_spanning_tree(csr_matrix(apart**2)).tocoo()
    near = np.sqrt(tree.data) <= GAP * np.median(np.sqrt(tree.data))
    kept = csr_matrix((tree.data[near], (tree.row[near], tree.col[near])), shape=apart.shape)
    many, piece = connected_components(kept, directed=False)
    pieces = [np.flatnonzero(piece == k) for k in range(many)]
    pieces.sort(key=lambda own: -float(counts[own].sum()))
    path = _longest_path(kept, pieces[0])
    rest = pieces[1:]
    while rest:
        ends = (path[0], path[-1])
        gaps = np.array([[apart[end, own].min() for end in ends] for own in rest])
        which, side = np.unravel_index(int(np.argmin(gaps)), gaps.shape)
        own = _longest_path(kept, rest.pop(int(which)))
        if apart[ends[side], own[0]] > apart[ends[side], own[-1]]:
            own = own[::-1]
        path = path + own if side == 1 else own[::-1] + path
    if exact:
        line = colours[_with_tips(path, apart)]
        return _drawn(line, at=_levels_of(line))
    line = _drawn(colours[path])
    middle = _drawn(_through_the_middle(line, colours, counts))
    before, after = (_mean_distance(own, colours, counts) for own in (line, middle))
    # A sharp bend that is cut leaves colours far off the line.
    return middle if after < before + CUT_LEVELS else line


def _mean_distance(line: FloatArray, colours: FloatArray, counts: FloatArray) -> float:
    tree: Any = cKDTree(weighted(line))
    return float(np.average(tree.query(weighted(colours))[0], weights=counts))


def _through_the_middle(line: FloatArray, colours: FloatArray, counts: FloatArray) -> FloatArray:
    """Return a line through the middle of the colours around it: a round of a principal curve.

    Each point becomes what a straight line through the colours beside it says there (Hastie &
    Stuetzle, JASA 84 (1989) 502), so that the ends stay where they are.
    """
    arc = np.r_[0, np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))]
    tree: Any = cKDTree(weighted(line))
    far, nearest = tree.query(weighted(colours))
    at = arc[nearest]
    # A cell's colour is as sure as the number of its pixels, up to what coding does to them all;
    # blends far off the line (Cauchy's weights) are none of the map's.
    sure = np.minimum(counts, SURE_COUNT) / (1 + (far / max(float(np.median(far)), 1.0)) ** 2)
    weight = sure * np.exp(-0.5 * ((arc[:, None] - at) / CELL) ** 2)
    total = weight.sum(axis=1) + 1e-12
    middle = (weight @ at) / total
    off = at - middle[:, None]
    spread = np.sum(weight * off**2, axis=1) + 1e-6 * total
    mean = (weight @ colours) / total[:, None]
    slope = np.einsum("ij,ij,jc->ic", weight, off, colours) / spread[:, None]
    out: FloatArray = mean + slope * (arc - middle)[:, None]
    return np.where(total[:, None] > 1e-6, np.clip(out, 0, 255), line)


def _with_tips(path: list[int], apart: FloatArray) -> list[int]:
    """Return the path through all colours: those left out are the tips of a map's sharp bends.

    Each, the nearest first, goes where it lengthens the path least.
    """
    out = np.array(path)
    missing = np.setdiff1d(np.arange(len(apart)), out)
    for node in missing[np.argsort(apart[missing][:, out].min(axis=1))]:
        longer = apart[out[:-1], node] + apart[node, out[1:]] - apart[out[:-1], out[1:]]
        out = np.insert(out, int(np.argmin(longer)) + 1, node)
    return [int(k) for k in out]


def _longest_path(tree: Any, own: NDArray[np.intp]) -> list[int]:
    """Return the nodes of the longest path through the piece of a forest that has these nodes."""
    walk: Any = dijkstra
    lengths = walk(tree, directed=False, indices=int(own[0]))
    one_end = int(own[np.argmax(lengths[own])])
    lengths, before = walk(tree, directed=False, indices=one_end, return_predecessors=True)
    path = [int(own[np.argmax(lengths[own])])]
    while path[-1] != one_end:
        path.append(int(before[path[-1]]))
    return path


def _levels_of(line: FloatArray) -> FloatArray:
    """Return the (n,) levels of colours that are a map's own, in order, the first at 0.

    A display knows 256 levels and paints each in a colour of its own, so neighbours are one level
    apart however much their colours differ: along one map a level is four steps of colour here and
    ten there. Where colours in between were not seen, their number follows from the steps around.
    """
    steps = np.linalg.norm(np.diff(line, axis=0), axis=1)
    beside = np.pad(steps, AROUND, constant_values=np.nan)
    around = np.lib.stride_tricks.sliding_window_view(beside, 2 * AROUND + 1)
    one = np.maximum(np.nanquantile(around, ONE_LEVEL, axis=1), 1.0)
    levels: FloatArray = np.r_[0, np.cumsum(np.maximum(np.round(steps / one), 1))]
    return levels


def _drawn(line: FloatArray, *, at: FloatArray | None = None) -> FloatArray:
    """Return 256 colours along a line of colours, dark end first.

    `at` are the places of the line's colours; distances of colour when None.
    """
    if at is None:
        at = np.r_[0, np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))]
    luma = line @ LUMA
    if luma[-1] < luma[0]:
        line, at = line[::-1], at[-1] - at[::-1]
    even = np.linspace(0, at[-1], LEVELS)
    out: FloatArray = np.stack([np.interp(even, at, c) for c in line.T], axis=1)
    return out
