"""The instances that the benches measure on: regular blocks by formula, the others read from a path."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

FOOT_M = 0.3048
ROW_SPACING_FT, TREE_SPACING_FT = 22.0, 18.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Instance:
    """Points that are both candidates and demand, their row numbers and the usual number of sites."""

    name: str
    xy: NDArray[np.float64]
    row: NDArray[np.int64] | None
    count: int


def regular(name: str, num_rows: int, num_trees: int, count: int) -> Instance:
    """Return a regular block of rows 22 ft apart with a tree every 18 ft, tree by tree along each row."""
    row, tree = np.divmod(np.arange(num_rows * num_trees), num_trees)
    xy = np.column_stack([row * ROW_SPACING_FT, tree * TREE_SPACING_FT]) * FOOT_M
    return Instance(name=name, xy=xy, row=row, count=count)


def b40() -> Instance:
    """Return the regular block of 4,380 trees on 39.8 acres, 360 sites."""
    return regular("B40", 60, 73, 360)


def b640(blocks: int = 1) -> Instance:
    """Return the regular block of 70,320 trees on 639 acres, 5,760 sites; ``blocks`` of them in a row."""
    return regular(f"B{640 * blocks}", 240 * blocks, 293, 5760 * blocks)


def i40(path: str | Path) -> Instance:
    """Return the irregular 40-acre block of a CSV with columns row, tree, x_m, y_m; 360 sites."""
    with open(path, newline="") as file:
        lines = list(csv.DictReader(file))
    xy = np.array([(float(line["x_m"]), float(line["y_m"])) for line in lines])
    row = np.array([int(line["row"]) for line in lines], np.int64)
    return Instance(name="I40", xy=xy, row=row, count=360)


def tsplib(path: str | Path, count: int = 1) -> Instance:
    """Return the points of a TSPLIB file with node coordinates; they have no rows."""
    lines = Path(path).read_text().splitlines()
    first = next(i for i, line in enumerate(lines) if line.strip() == "NODE_COORD_SECTION") + 1
    points = []
    for line in lines[first:]:
        fields = line.split()
        if len(fields) != 3:
            break
        points.append((float(fields[1]), float(fields[2])))
    return Instance(name=Path(path).stem, xy=np.array(points), row=None, count=count)
