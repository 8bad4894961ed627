"""Row and tree numbers as crews count them, from positions in the row frame."""

from __future__ import annotations

from typing import Literal, TypeVar

import numpy as np
from numpy.typing import NDArray
from shapely import LineString

from mudcap.orchard.frame import RowFrame
from mudcap.orchard.model import TreeRows

Source = Literal["spacing", "trees", "lines", "assumed"]
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
    order = np.lexsort((frame_xy[:, 1], number))
    frame_xy, number = frame_xy[order], number[order]
    row_number = np.unique(number)
    first = np.searchsorted(number, row_number)
    if tree_number is None:
        tree = np.arange(len(number)) - np.repeat(first, np.diff(np.append(first, len(number)))) + 1
    else:
        tree = tree_number[order]
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
    """End points (2, 2) of a straight frame row through its trees (ascending y), `beyond_m` longer at both ends."""
    x, y = members[:, 0], members[:, 1]
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
