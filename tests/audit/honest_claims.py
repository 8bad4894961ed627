"""Honest claims over tiny orchards, worked out here with SciPy and loops, apart from the program."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.spatial import cKDTree
from shapely import LineString, Point, Polygon

from mudcap.audit.claim import BlockClaim, Claim, CoverageClaim, LevelClaim, SiteClaim, Stations, Trees, Zone
from mudcap.geo.plane import LocalPlane
from mudcap.orchard.model import Exclusion

ROW_M, TREE_M = 6.7056, 5.4864
ACRE = 4046.8564224
RATE = 40.0
"""Females an acre: small, so that sites hold few and each one counts."""
PLANE = LocalPlane.around([(-120.02, 36.90), (-119.98, 36.96)])


def grid(west: float, south: float, rows: int, trees: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Tree places, row and tree numbers of a rectangle of rows."""
    row, tree = (a.ravel() for a in np.meshgrid(np.arange(1, rows + 1), np.arange(1, trees + 1), indexing="ij"))
    return np.column_stack([west + (row - 0.5) * ROW_M, south + (tree - 0.5) * TREE_M]), row, tree


def shares(total: int, parts: np.ndarray) -> list[int]:
    """Whole numbers that follow the parts and sum to the total."""
    exact = total * parts / parts.sum()
    down = np.floor(exact).astype(int)
    down[np.argsort(-(exact - down), kind="stable")[: total - down.sum()]] += 1
    return down.tolist()


def honest(rows: int = 18, trees: int = 24, *, gap_m: float = 4.0, east_row: int = 2) -> Claim:
    """Two rectangular blocks side by side, a site at each fifth tree of each fourth row, and every number right."""
    corners = [(-rows * ROW_M - gap_m, 0.0), (gap_m, 0.0)]
    ground = [grid(x, y, rows, trees) for x, y in corners]
    xy = np.concatenate([g[0] for g in ground])
    row, tree = (np.concatenate([g[k] for g in ground]) for k in (1, 2))
    block = np.repeat([0, 1], rows * trees)
    weight = np.where(row % 3 == 0, 0.5, 1.0)
    chosen = np.flatnonzero((row % 4 == np.where(block == 0, 2, east_row)) & (tree % 5 == 3))
    sites, assigned = [], np.full(len(xy), -1)
    blocks = []
    for k, (x, y) in enumerate(corners):
        own, members = chosen[block[chosen] == k], np.flatnonzero(block == k)
        gap, near = cKDTree(xy[own]).query(xy[members])
        assigned[members] = near + len(sites)
        load = np.bincount(near, weights=weight[members], minlength=len(own))
        outline = Polygon([(x, y), (x + rows * ROW_M, y), (x + rows * ROW_M, y + trees * TREE_M), (x, y + trees * TREE_M)])
        acres = outline.area / ACRE
        females = int(RATE * acres + 0.5)
        males, cavities = int(1.5 * females + 0.5), 2 * females
        stock = [shares(total, load) for total in (females, males, cavities)]
        lonlat = PLANE.to_lonlat(xy[own])
        code = ("WST", "E2")[k]
        sites += [
            SiteClaim(
                site_id=f"{code}{n + 1:04d}", block_id=("West", "East")[k], number=n + 1, row=int(row[s]), tree=int(tree[s]),
                x_m=float(xy[s, 0]), y_m=float(xy[s, 1]), lon=float(lonlat[n, 0]), lat=float(lonlat[n, 1]),
                trees=float(load[n]), farthest_m=float(gap[near == n].max()), females=stock[0][n], males=stock[1][n],
                cavities=stock[2][n], walk_m=abs(float(xy[s, 0])), mud_m=float(np.hypot(*(xy[s] - (0, -30)))),
            )
            for n, s in enumerate(own)
        ]  # fmt: skip
        mean = float(np.average(gap, weights=weight[members]))
        order = np.argsort(gap)
        heaped = np.cumsum(weight[members][order])
        blocks.append(
            BlockClaim(
                block_id=("West", "East")[k], code=code, polygon=outline, acres=acres, quota=len(own), sites=len(own),
                trees=len(members),
                coverage=CoverageClaim(
                    mean_m=mean, p95_m=float(gap[order][heaped >= 0.95 * heaped[-1]].min()), farthest_m=float(gap.max()),
                    trees_min=float(load.min()), trees_mean=float(load.mean()), trees_max=float(load.max()),
                    trees_cv=float(load.std() / load.mean()),
                ),
                levels=(
                    LevelClaim(name="farthest", value=float(gap.max()), bound=0.9 * float(gap.max())),
                    LevelClaim(name="mean_square", value=float(np.average(gap**2, weights=weight[members])), bound=1.0),
                    LevelClaim(name="cv", value=float(load.std() / load.mean())),
                    LevelClaim(name="driven_rows", value=5.0, bound=5.0),
                ),
                females=females, males=males, cavities=cavities, females_per_acre=RATE, males_per_female=1.5,
                cavities_per_female=2.0,
            )
        )  # fmt: skip
    return Claim(
        plane=PLANE, blocks=tuple(blocks), sites=tuple(sites),
        trees=Trees(xy=xy, weight=weight, block=block, assigned=assigned),
        stations=Stations(xy=xy, block=block, row=row, tree=tree),
        zones=(
            Zone(name="Pond", geometry=Point(4 + 4 * ROW_M, 7 * TREE_M).buffer(3), clear_m=3.0, flag=Exclusion.KEEP_OUT),
            Zone(name="Hives", geometry=Point(0, -60), clear_m=30.0, flag=Exclusion.HIVES),
            Zone(name="Lane", geometry=LineString([(0, -9), (0, 150)]), clear_m=3.5, flag=Exclusion.SPRAY_LANE),
        ),
        walk_limit_m=130.0, drivable=(LineString([(0, -9), (0, 150)]),), mud=(Point(0, -30),),
        banned_xy=xy[[0, 5]], last_serial={b.code: b.sites for b in blocks},
        females=sum(s.females for s in sites), males=sum(s.males for s in sites), cavities=sum(s.cavities for s in sites),
    )  # fmt: skip


def with_site(claim: Claim, index: int, **changes: object) -> Claim:
    """The claim with one site changed."""
    sites = list(claim.sites)
    sites[index] = replace(sites[index], **changes)
    return replace(claim, sites=tuple(sites))


def with_block(claim: Claim, index: int, **changes: object) -> Claim:
    """The claim with one block changed."""
    blocks = list(claim.blocks)
    blocks[index] = replace(blocks[index], **changes)
    return replace(claim, blocks=tuple(blocks))
