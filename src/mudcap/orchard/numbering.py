"""Row and tree numbers as crews count them, from positions in the row frame."""

from __future__ import annotations

from typing import Final, Literal, TypeVar

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString
from shapely.geometry.base import BaseGeometry

from mudcap.orchard.frame import RowFrame, edge_m
from mudcap.orchard.model import TreeRows

Source = Literal["spacing", "trees", "lines", "assumed"]
_STRAIGHT: Final = 0.05
"""A row whose smoothed line strays less than this share of the row spacing is straight."""

Array = TypeVar("Array", NDArray[np.float64], NDArray[np.int64])


def number_rows(
    *,
    source: Source,
    corner: str,
    frame: RowFrame,
    row_spacing_m: float,
    tree_spacing_m: float,
    frame_xy: NDArray[np.float64],
    row_key: NDArray[np.int64],
    tree_number: NDArray[np.int64] | None = None,
    row_labels: dict[int, int] | None = None,
    row_lines: dict[int, NDArray[np.float64]] | None = None,
    weight: NDArray[np.float64] | None = None,
) -> TreeRows:
    """Number trees given in the frame: rows by ascending `row_key` from 1, trees by y from 1.

    `tree_number` gives the numbers in a row where they are known; `row_labels` the crew's number of each key; `row_lines`
    the (k, 2) frame line of each key, low y to high y, else a straight line half a tree spacing longer than the row.
    """
    keys = np.unique(row_key)
    labels = row_labels or {int(key): i + 1 for i, key in enumerate(keys)}
    number = np.array([labels[int(key)] for key in row_key], np.int64).reshape(-1)
    order = np.lexsort((frame_xy[:, 1] if tree_number is None else tree_number, number))
    frame_xy, number = frame_xy[order], number[order]
    row_number = np.unique(number)
    first = np.searchsorted(number, row_number)
    counted = np.arange(len(number)) - np.repeat(first, np.diff(np.append(first, len(number)))) + 1
    tree = counted if tree_number is None else tree_number[order]
    by_number = {labels[int(key)]: int(key) for key in keys}
    lines = []
    for i, row in enumerate(row_number):
        path = (row_lines or {}).get(by_number[int(row)])
        if path is None:
            members = frame_xy[first[i] : first[i + 1] if i + 1 < len(first) else len(number)]
            path = straight_path(members, tree_spacing_m / 2)
        lines.append(LineString(frame.to_plane(path)))
    return TreeRows(
        source=source, corner=corner, bearing_deg=frame.bearing_deg % 360.0,
        row_spacing_m=float(row_spacing_m), tree_spacing_m=float(tree_spacing_m),
        row_number=_fixed(row_number), row_line=tuple(lines), tree_xy=_fixed(frame.to_plane(frame_xy)),
        tree_row=_fixed(number), tree_number=_fixed(tree.astype(np.int64)),
        weight=_fixed(np.ones(len(number)) if weight is None else np.asarray(weight, float)[order]),
    )  # fmt: skip


def straight_path(members: NDArray[np.float64], beyond_m: float) -> NDArray[np.float64]:
    """End points (2, 2) of a straight frame row through its trees, `beyond_m` longer at both ends."""
    x, y = members[np.argsort(members[:, 1], kind="stable")].T
    slope = float(np.polyfit(y - y[0], x, 1)[0]) if len(members) > 2 and np.ptp(y) > 0 else 0.0
    if len(members) == 2 and np.ptp(y) > 0:
        slope = float((x[1] - x[0]) / (y[1] - y[0]))
    ends = np.array([y[0] - beyond_m, y[-1] + beyond_m])
    return np.column_stack([x.mean() + slope * (ends - y.mean()), ends])


def no_rows(
    source: Source, corner: str, bearing_deg: float, row_spacing_m: float, tree_spacing_m: float
) -> TreeRows:
    """The rows of a block on which no tree fits."""
    return TreeRows(
        source=source, corner=corner, bearing_deg=bearing_deg % 360.0, row_spacing_m=row_spacing_m,
        tree_spacing_m=tree_spacing_m, row_number=_fixed(np.empty(0, np.int64)), row_line=(),
        tree_xy=_fixed(np.empty((0, 2))), tree_row=_fixed(np.empty(0, np.int64)),
        tree_number=_fixed(np.empty(0, np.int64)), weight=_fixed(np.empty(0)),
    )  # fmt: skip


def _fixed(array: Array) -> Array:
    array.setflags(write=False)
    return array


def along_numbers(
    frame_xy: NDArray[np.float64], row_key: NDArray[np.int64], tree_spacing_m: float, shape: BaseGeometry
) -> NDArray[np.int64]:
    """Tree numbers (n,) in each row from the gaps between trees: a missing tree keeps its number, ground outside has none.

    The first tree of a row is number 1, unless both neighbouring rows show that trees are missing before it.
    """
    order = np.lexsort((frame_xy[:, 1], row_key))
    y, key = frame_xy[order, 1], row_key[order]
    steps = np.ones(len(y), np.int64)
    gap = np.diff(y) / tree_spacing_m
    inside = np.flatnonzero((key[1:] == key[:-1]) & (gap > 1.5))
    for i in inside:
        steps[i + 1] = _steps_over(frame_xy[order[i]], frame_xy[order[i + 1]], round(gap[i]), shape)
    first = np.flatnonzero(np.concatenate([[True], key[1:] != key[:-1]]))
    steps[first] = 1 + _missing_before(frame_xy[order[first]], tree_spacing_m, shape)
    total = np.cumsum(steps)
    before = np.concatenate([[0], total])[first]
    number = total - np.repeat(before, np.diff(np.append(first, len(y))))
    out = np.empty(len(y), np.int64)
    out[order] = number
    return out


def _steps_over(a: NDArray[np.float64], b: NDArray[np.float64], parts: int, shape: BaseGeometry) -> int:
    """Numbers from one tree to the next: the places between them that lie in the block, and one."""
    share = np.arange(1, parts)[:, None] / parts
    return 1 + int(shapely.contains_xy(shape, *(a + (b - a) * share).T).sum())


def _missing_before(
    first: NDArray[np.float64], tree_spacing_m: float, shape: BaseGeometry
) -> NDArray[np.int64]:
    """Trees missing before each row's first one (frame positions, in row order).

    Where rows on one lattice end along a straight line, a row's first tree lies at most half a spacing beyond the middle of
    those of two rows at equal distances on either side; three quarters more is a missing tree.
    """
    missing = np.zeros(len(first), np.int64)
    y = first[:, 1]
    for reach in (1, 2, 3):
        if len(y) <= 2 * reach:
            break
        late = (y[reach:-reach] - (y[: -2 * reach] + y[2 * reach :]) / 2) / tree_spacing_m
        count = np.floor(late + 0.25).astype(np.int64)
        missing[reach:-reach] = np.maximum(missing[reach:-reach], count)
    if not missing.any():
        return missing
    edge = edge_m(shape, first, up=False)
    for i in np.flatnonzero(missing > 0).tolist():
        near = [k for k in range(max(0, i - 3), min(len(first), i + 4)) if k != i]
        room = edge[i] - np.nanmin(edge[near]) if np.isfinite(edge[near]).any() else 0.0
        missing[i] = min(missing[i], max(0, int(np.floor(np.nan_to_num(room) / tree_spacing_m + 0.25))))
    return missing


def row_path(members: NDArray[np.float64], row_spacing_m: float, tree_spacing_m: float) -> NDArray[np.float64]:
    """Frame line of a row through its trees: straight if they stand in line, else through means of five trees."""
    members = members[np.argsort(members[:, 1], kind="stable")]
    straight = straight_path(members, tree_spacing_m / 2)
    if len(members) < 5:
        return straight
    last = len(members) - 1
    reach = [min(i, last - i, 2) for i in range(last + 1)]
    middle = np.array([members[i - k : i + k + 1].mean(axis=0) for i, k in enumerate(reach)])
    slope = (straight[1, 0] - straight[0, 0]) / max(straight[1, 1] - straight[0, 1], 1e-9)
    off = middle[:, 0] - straight[0, 0] - slope * (middle[:, 1] - straight[0, 1])
    if float(np.sqrt(np.mean(off**2))) <= _STRAIGHT * row_spacing_m:
        return straight
    path = middle[np.concatenate([[True], np.diff(middle[:, 1]) > 1e-6])]
    ends = [_beyond(path[0], path[1], tree_spacing_m / 2), _beyond(path[-1], path[-2], tree_spacing_m / 2)]
    return np.vstack([ends[0], path, ends[1]])


def _beyond(end: NDArray[np.float64], inner: NDArray[np.float64], by_m: float) -> NDArray[np.float64]:
    step = end - inner
    return np.asarray(end + step * (by_m / max(float(np.hypot(*step)), 1e-9)))
