"""Which trees stand in one row: direction by nearest neighbours, links along it, and votes between neighbouring rows."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import breadth_first_order, connected_components, minimum_spanning_tree
from scipy.spatial import cKDTree

_CONE_DEG: Final = 15.0
_SAME_SPACING: Final = 0.07
"""Two directions whose spacings differ by less than this share cannot be told apart as row and cross-row."""
_REACH: Final = 3.5
"""Links along a row bridge this many tree spacings: two or three missing trees."""
_LEAST_M: Final = 0.5
"""Rows or trees nearer than this tell no spacing."""
_SIDE: Final = 0.35
"""A link may step aside by this share of the smaller spacing."""

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FoundRows:
    """Trees grouped into rows."""

    row: Ints
    """(n,) key of each tree's row; keys ascend to one side."""
    grid_deg: float
    """Direction of the rows from grid north, 0 ≤ d < 180."""
    row_spacing_m: float
    tree_spacing_m: float
    square: bool = False
    """True where the direction is a guess between two alike."""
    bearing_refused: bool = False
    """True where a given direction does not fit the trees."""
    conflicts: int = 0
    """Trees that stand abreast of another one of the same row."""


def find_rows(xy: Floats, grid_deg: float | None, outline: Any, guess: tuple[float, float]) -> FoundRows:
    """Group trees into rows; `grid_deg` is a given direction, `guess` the row and tree spacing where trees do not tell."""
    if len(xy) < 3:
        return _too_few(xy, grid_deg, guess)
    direction, tree_m, square, refused = _direction(xy, grid_deg, outline)
    at = turned(xy, direction)
    nearest_m = float(np.median(cKDTree(xy).query(xy, k=2)[0][:, 1]))
    piece = _link(at, tree_m, min(tree_m, nearest_m))
    row_m = row_spacing(at, piece, tree_m, guess[0])
    row = vote(at, piece, row_m, tree_m)
    direction = (direction + _slope_deg(at, row)) % 180.0
    at = turned(xy, direction)
    row = _merge_strays(at, row, row_m)
    return FoundRows(
        row=row, grid_deg=direction, row_spacing_m=between_rows(at, row, row_m),
        tree_spacing_m=_tree_spacing(at, row, tree_m if tree_m >= _LEAST_M else guess[1]),
        square=square, bearing_refused=refused, conflicts=_conflicts(at, row, tree_m),
    )  # fmt: skip


def rows_of_labels(xy: Floats, label: Ints, guess: tuple[float, float]) -> FoundRows:
    """Rows as a layer numbers them: direction and spacings by the trees of each."""
    axes = np.zeros(2)
    for k in np.unique(label):
        members = xy[label == k] - xy[label == k].mean(axis=0)
        if len(members) > 1:
            (xx, xy2), (_yx, yy) = members.T @ members
            axes += (yy - xx, 2 * xy2)
    direction = float(np.degrees(np.arctan2(axes[1], axes[0])) / 2) % 180.0
    at = turned(xy, direction)
    keys = np.unique(label)
    middle = np.array([np.median(at[label == k, 0]) for k in keys])
    order = np.argsort(np.argsort(middle, kind="stable"))
    row = order[np.searchsorted(keys, label)].astype(np.int64)
    return FoundRows(
        row=row, grid_deg=direction, row_spacing_m=between_rows(at, row, guess[0]),
        tree_spacing_m=_tree_spacing(at, row, guess[1]), conflicts=0,
    )  # fmt: skip


def _too_few(xy: Floats, grid_deg: float | None, guess: tuple[float, float]) -> FoundRows:
    direction = grid_deg
    if direction is None:
        step = xy[-1] - xy[0]
        direction = float(np.degrees(np.arctan2(step[0], step[1]))) if len(xy) > 1 else 0.0
    at = turned(xy, direction)
    row = np.round((at[:, 0] - at[:, 0].min()) / guess[0]).astype(np.int64)
    return FoundRows(row=row, grid_deg=direction % 180.0, row_spacing_m=guess[0], tree_spacing_m=guess[1])


def turned(xy: Floats, grid_deg: float) -> Floats:
    """Coordinates with y along a grid direction."""
    angle = np.radians(grid_deg)
    return np.column_stack([xy @ (np.cos(angle), -np.sin(angle)), xy @ (np.sin(angle), np.cos(angle))])


def _direction(xy: Floats, given_deg: float | None, outline: Any) -> tuple[float, float, bool, bool]:
    """Direction and spacing of trees in a row, whether two directions tie, and whether a given one was refused."""
    k = min(7, len(xy))
    distance, index = cKDTree(xy).query(xy, k=k)
    i = np.repeat(np.arange(len(xy)), k - 1)
    step = xy[index[:, 1:].reshape(-1)] - xy[i]
    length = distance[:, 1:].reshape(-1)
    angle = np.degrees(np.arctan2(step[:, 0], step[:, 1])) % 180.0
    short = length <= 1.35 * np.median(distance[:, 1])
    peaks = _peaks(angle[short], length[short])
    refused = False
    if given_deg is not None:
        if _fits(angle, length, given_deg, min(peaks, key=lambda p: p[1]), len(xy)):
            return (*_sharpen(angle, length, given_deg), False, False)
        refused = True
    best = peaks[0]
    rivals = [p for p in peaks[1:] if abs(p[1] / best[1] - 1) < _SAME_SPACING]
    if rivals:
        side = _longest_side(outline)
        chosen = min((best, *rivals), key=lambda p: round(float(_apart(np.array([p[0]]), side)[0]), 6))
    else:
        chosen = min(peaks, key=lambda p: p[1])
    return (*_sharpen(angle[short], length[short], chosen[0]), bool(rivals), refused)


def _fits(angle: Floats, length: Floats, given_deg: float, first: tuple[float, float, float], num: int) -> bool:
    """Whether trees stand in rows along a direction: the shortest step's, the one across it, or one as short."""
    near = _apart(angle, given_deg) <= _CONE_DEG
    if near.sum() < 0.3 * num:
        return False
    off = float(_apart(np.array([first[0]]), given_deg)[0])
    return off <= _CONE_DEG or off >= 90.0 - _CONE_DEG or float(np.median(length[near])) <= 1.1 * first[1]


def _peaks(angle: Floats, length: Floats) -> list[tuple[float, float, float]]:
    """Directions that many near neighbours share: (degrees, median distance, support), most first."""
    votes = np.bincount(np.round(angle).astype(int) % 180, minlength=180).astype(float)
    spread = np.exp(-0.5 * (np.arange(-15, 16) / 5.0) ** 2)
    smooth = np.convolve(np.concatenate([votes[-15:], votes, votes[:15]]), spread, mode="valid")
    peaks: list[tuple[float, float, float]] = []
    for degree in np.argsort(-smooth, kind="stable"):
        if smooth[degree] < 0.4 * smooth.max():
            break
        if all(_apart(np.array([p[0]]), float(degree))[0] > 25 for p in peaks):
            near = _apart(angle, float(degree)) <= _CONE_DEG
            peaks.append((float(degree), float(np.median(length[near])), float(smooth[degree])))
    return peaks


def _sharpen(angle: Floats, length: Floats, start_deg: float) -> tuple[float, float]:
    """Mean direction and median distance of the neighbours near a direction; nearest ones only."""
    near = _apart(angle, start_deg) <= _CONE_DEG
    near &= length <= 1.5 * np.median(length[near])
    off = (angle[near] - start_deg + 90.0) % 180.0 - 90.0
    return (start_deg + float(np.median(off))) % 180.0, float(np.median(length[near]))


def _apart(angle: Floats, other: float) -> Floats:
    return np.asarray(np.abs((angle - other + 90.0) % 180.0 - 90.0))


def _longest_side(outline: Any) -> float:
    box = shapely.get_coordinates(shapely.oriented_envelope(outline))
    if len(box) < 4:
        return 0.0
    a, b = box[1] - box[0], box[2] - box[1]
    side = a if np.hypot(*a) >= np.hypot(*b) else b
    return float(np.degrees(np.arctan2(side[0], side[1]))) % 180.0


def _link(at: Floats, tree_m: float, least_m: float) -> Ints:
    """Piece of row of each tree: trees linked to their mutual next ones along y."""
    num = len(at)
    k = min(13, num)
    index = cKDTree(at * (2.0, 1.0)).query(at * (2.0, 1.0), k=k)[1].reshape(num, k)
    step = at[index] - at[:, None, :]
    cost = np.abs(step[..., 1]) + 2 * np.abs(step[..., 0])
    fits = (np.abs(step[..., 0]) <= _SIDE * least_m) & (np.abs(step[..., 1]) <= _REACH * tree_m) & (cost > 0)
    up = np.where(fits & (step[..., 1] > 0), cost, np.inf)
    down = np.where(fits & (step[..., 1] < 0), cost, np.inf)
    rows = np.arange(num)
    after, before = index[rows, up.argmin(axis=1)], index[rows, down.argmin(axis=1)]
    linked = np.isfinite(up.min(axis=1)) & (before[after] == rows) & np.isfinite(down.min(axis=1))[after]
    i, j = rows[linked], after[linked]
    graph = coo_matrix((np.ones(len(i)), (i, j)), shape=(num, num))
    return np.asarray(connected_components(graph, directed=False)[1], np.int64)


def row_spacing(at: Floats, piece: Ints, tree_m: float, guess_m: float) -> float:
    """Median step sideways from a tree to the next row abreast of it."""
    pick = np.arange(0, len(at), max(1, len(at) // 4000))
    k = min(41, len(at))
    index = cKDTree(at).query(at[pick], k=k)[1].reshape(len(pick), k)
    step = np.abs(at[index] - at[pick][:, None, :])
    abreast = (piece[index] != piece[pick][:, None]) & (step[..., 1] <= 0.75 * tree_m)
    abreast &= step[..., 0] > 0.2 * tree_m
    aside = np.where(abreast, step[..., 0], np.inf).min(axis=1)
    aside = aside[np.isfinite(aside)]
    return float(np.median(aside)) if len(aside) and np.median(aside) >= _LEAST_M else guess_m


def vote(at: Floats, piece: Ints, row_m: float, tree_m: float) -> Ints:
    """Row key of each tree: pieces placed side by side as most of their neighbours say."""
    num = int(piece.max()) + 1
    reach = float(np.hypot(1.4 * row_m, 0.75 * tree_m))
    pairs = cKDTree(at).query_pairs(reach, output_type="ndarray")
    step = at[pairs[:, 1]] - at[pairs[:, 0]]
    beside = (np.abs(np.abs(step[:, 0]) - row_m) <= 0.4 * row_m) & (np.abs(step[:, 1]) <= 0.75 * tree_m)
    pairs, step = pairs[beside], step[beside]
    left = np.where(step[:, 0] > 0, pairs[:, 0], pairs[:, 1])
    right = np.where(step[:, 0] > 0, pairs[:, 1], pairs[:, 0])
    votes = coo_matrix((np.ones(len(left)), (piece[left], piece[right])), shape=(num, num)).tocsr()
    votes = votes - votes.T
    strength = abs(votes)
    strength.data = -strength.data
    strength.eliminate_zeros()
    tree = minimum_spanning_tree(strength)
    both = tree + tree.T
    place = np.full(num, np.nan)
    middle = np.array([np.bincount(piece, at[:, 0]) / np.bincount(piece), np.bincount(piece)])
    for root in np.lexsort((np.arange(num), -middle[1])):
        if not np.isnan(place[root]):
            continue
        anchor = _anchor(at, piece, place, int(root), row_m)
        order, parent = breadth_first_order(both, root, directed=False)
        place[root] = anchor
        for node in order[1:]:
            place[node] = place[parent[node]] + (1 if votes[parent[node], node] > 0 else -1)
    key = place[piece]
    return np.asarray(np.round(key - key.min()), np.int64)


def _anchor(at: Floats, piece: Ints, place: Floats, root: int, row_m: float) -> float:
    """Place of a piece that no vote joins to the rest: by its distance sideways from the nearest placed trees."""
    known = ~np.isnan(place[piece])
    if not known.any():
        return 0.0
    mine = at[piece == root].mean(axis=0)
    others = at[known]
    near = int(np.argmin(np.abs(others[:, 1] - mine[1]) + np.abs(others[:, 0] - mine[0])))
    return float(place[piece][known][near] + np.round((mine[0] - others[near, 0]) / row_m))


def _slope_deg(at: Floats, row: Ints) -> float:
    """Turn that lays the rows along y: common slope of all rows [deg clockwise]."""
    num = np.bincount(row)
    x = at[:, 0] - (np.bincount(row, at[:, 0]) / np.maximum(num, 1))[row]
    y = at[:, 1] - (np.bincount(row, at[:, 1]) / np.maximum(num, 1))[row]
    total = float(y @ y)
    return float(np.degrees(np.arctan2(x @ y, total))) if total > 0 else 0.0


def _merge_strays(at: Floats, row: Ints, row_m: float) -> Ints:
    """Rows of one or two trees that stand nearer than 0.6 spacings to a longer one join it."""
    keys, count = np.unique(row, return_counts=True)
    middle = np.array([np.median(at[row == k, 0]) for k in keys])
    out = row.copy()
    for k in np.flatnonzero(count <= 2):
        rivals = np.flatnonzero((count > 2) & (np.abs(middle - middle[k]) < 0.6 * row_m))
        if len(rivals):
            near = rivals[np.argmin(np.abs(middle[rivals] - middle[k]))]
            out[row == keys[k]] = keys[near]
    return out


def between_rows(at: Floats, row: Ints, guess_m: float) -> float:
    """Median step between the middles of neighbouring rows."""
    middle = np.sort([np.median(at[row == k, 0]) for k in np.unique(row)])
    step = float(np.median(np.diff(middle))) if len(middle) > 1 else 0.0
    return step if step >= _LEAST_M else guess_m


def _tree_spacing(at: Floats, row: Ints, guess_m: float) -> float:
    """Median step from tree to tree, steps over missing trees counted by their parts."""
    order = np.lexsort((at[:, 1], row))
    step = np.diff(at[order], axis=0)
    length = np.hypot(*step.T)[np.diff(row[order]) == 0]
    if not len(length):
        return guess_m
    middle = float(np.median(length))
    near = length[(length > 0.6 * middle) & (length < 1.5 * middle)]
    return float(np.mean(near)) if len(near) and np.mean(near) >= _LEAST_M else guess_m


def _conflicts(at: Floats, row: Ints, tree_m: float) -> int:
    order = np.lexsort((at[:, 1], row))
    same = np.diff(row[order]) == 0
    return int(((np.diff(at[order, 1]) < 0.3 * tree_m) & same).sum())
