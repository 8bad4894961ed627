"""Coverage numbers against closed forms for square and hexagonal lattices, and against SciPy.

The table is computed from the definition of the international acre (43,560 × 0.3048² m²). Covering radius of a square
lattice with spacing s: s/√2; of a hexagonal one: s/√3 with s = √(2a/√3), a = area per site. Second moments of the square
(s²/6) and of the hexagon (5 s²/36): Conway & Sloane, Sphere Packings, Lattices and Groups, ch. 21 (from memory; checked
here by integration).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import integrate
from scipy.spatial import Voronoi, cKDTree
from scipy.stats import variation
from shapely import Polygon, box

from mudcap.geo.units import M2_PER_ACRE, M_PER_CHAIN, M_PER_FT, acres
from mudcap.place.coverage import coverage

# sites an acre, m² a site, square spacing m and ft, square covering radius m, hexagonal spacing m, covering radius m, sites in 40 acres
TABLE = [
    (4, 1011.71, 31.81, 104.36, 22.49, 34.18, 19.73, 160),
    (6, 674.48, 25.97, 85.21, 18.36, 27.91, 16.11, 240),
    (8, 505.86, 22.491, 73.79, 15.904, 24.168, 13.954, 320),
    (9, 449.65, 21.205, 69.57, 14.994, 22.786, 13.156, 360),
    (10, 404.69, 20.117, 66.00, 14.225, 21.617, 12.481, 400),
    (12, 337.24, 18.36, 60.25, 12.99, 19.73, 11.39, 480),
]


def square_lattice(spacing: float, reach: int = 12) -> np.ndarray:
    k = np.arange(-reach, reach + 1) * spacing
    return np.column_stack([a.ravel() for a in np.meshgrid(k, k)])


def hexagonal_lattice(spacing: float, reach: int = 12) -> np.ndarray:
    i, j = (a.ravel() for a in np.meshgrid(np.arange(-reach, reach + 1), np.arange(-reach, reach + 1)))
    return np.column_stack([spacing * (i + 0.5 * (j % 2)), spacing * math.sqrt(3) / 2 * j])


def torus(sites: np.ndarray, width: float, height: float) -> np.ndarray:
    """The sites of one period of a lattice: [0, width) × [0, height)."""
    inside = (sites >= -1e-9).all(axis=1) & (sites[:, 0] < width - 1e-9) & (sites[:, 1] < height - 1e-9)
    return sites[inside]


def mean_in_regular_polygon(corners: int, apothem: float) -> float:
    """Mean distance from the centre of a regular polygon, by integration over one of its wedges."""
    wedge, _error = integrate.quad(lambda t: (apothem / math.cos(t)) ** 3 / 3, 0, math.pi / corners)
    return wedge / (0.5 * apothem**2 * math.tan(math.pi / corners))


def around(sites: np.ndarray, demand: np.ndarray, area_m2: float):  # type: ignore[no-untyped-def]
    """Coverage of evenly weighted demand."""
    west, south, east, north = demand[:, 0].min(), demand[:, 1].min(), demand[:, 0].max(), demand[:, 1].max()
    return coverage(sites, demand, np.ones(len(demand)), area_m2=area_m2, polygon=box(west, south, east, north))


@pytest.mark.parametrize("row", TABLE, ids=lambda r: f"{r[0]} an acre")
def test_spacing_table(row: tuple[float, ...]) -> None:
    """Density, spacing and covering radius of the table follow from the acre."""
    per_acre, area, square, square_ft, square_radius, hexagon, hexagon_radius, forty = row
    a = M2_PER_ACRE / per_acre
    assert a == pytest.approx(area, abs=0.006)
    assert math.sqrt(a) == pytest.approx(square, abs=0.006)
    assert math.sqrt(a) / M_PER_FT == pytest.approx(square_ft, abs=0.006)
    assert math.sqrt(a / 2) == pytest.approx(square_radius, abs=0.006)
    assert math.sqrt(2 * a / math.sqrt(3)) == pytest.approx(hexagon, abs=0.006)
    assert math.sqrt(2 * a / (3 * math.sqrt(3))) == pytest.approx(hexagon_radius, abs=0.006)
    assert per_acre * 40 == forty


def test_ten_an_acre_is_one_a_square_chain() -> None:
    """An acre is ten square chains, a chain 66 ft; a quarter-quarter section of 20 × 20 chains holds 40 acres."""
    assert pytest.approx(M2_PER_ACRE, rel=1e-15) == M_PER_CHAIN**2 * 10
    assert math.sqrt(M2_PER_ACRE / 10) / M_PER_FT == pytest.approx(66.0, abs=1e-9)
    assert acres((20 * M_PER_CHAIN) ** 2) == pytest.approx(40.0, rel=1e-12)
    assert acres((1320 * M_PER_FT) ** 2) == pytest.approx(40.0, rel=1e-12)
    assert acres(2640 * 660 * M_PER_FT**2) == pytest.approx(40.0, rel=1e-12)


@pytest.mark.parametrize("row", TABLE, ids=lambda r: f"{r[0]} an acre")
def test_square_lattice_has_its_covering_radius_and_mean(row: tuple[float, ...]) -> None:
    """Demand on a fine grid over whole cells, corners among it: farthest s/√2, mean 0.3826 s, mean of squares s²/6."""
    s = math.sqrt(M2_PER_ACRE / row[0])
    sites = square_lattice(s)
    fine = np.linspace(-s / 2, s / 2, 161)
    corners = np.column_stack([a.ravel() for a in np.meshgrid(fine, fine)])
    assert around(sites, corners, s * s).farthest_m == pytest.approx(s / math.sqrt(2), rel=1e-9)
    assert s / math.sqrt(2) == pytest.approx(row[4], abs=0.006)
    middles = (fine[1:] + fine[:-1]) / 2
    cell = np.column_stack([a.ravel() for a in np.meshgrid(middles, middles)])
    mean = around(sites, cell, s * s).mean_m
    assert mean == pytest.approx(s * (math.sqrt(2) + math.asinh(1)) / 6, rel=5e-5)
    assert mean == pytest.approx(mean_in_regular_polygon(4, s / 2), rel=5e-5)
    assert mean == pytest.approx(0.3826 * s, rel=1e-4)
    assert np.mean(cKDTree(sites).query(cell)[0] ** 2) == pytest.approx(s * s / 6, rel=5e-5)


@pytest.mark.parametrize("row", TABLE, ids=lambda r: f"{r[0]} an acre")
def test_hexagonal_lattice_has_its_covering_radius_and_mean(row: tuple[float, ...]) -> None:
    """Farthest s/√3, mean distance that of a regular hexagon, and 5 s²/36 for the squares."""
    a = M2_PER_ACRE / row[0]
    s = math.sqrt(2 * a / math.sqrt(3))
    sites = hexagonal_lattice(s)
    vertices = Voronoi(sites).vertices
    middle = vertices[np.hypot(*vertices.T) < 3 * s]
    assert around(sites, middle, a).farthest_m == pytest.approx(s / math.sqrt(3), rel=1e-9)
    assert s / math.sqrt(3) == pytest.approx(row[6], abs=0.006)
    x = (np.arange(120) + 0.5) / 120 * s
    y = (np.arange(208) + 0.5) / 208 * s * math.sqrt(3)
    period = np.column_stack([g.ravel() for g in np.meshgrid(x, y)])
    assert around(sites, period, 2 * a).mean_m == pytest.approx(mean_in_regular_polygon(6, s / 2), rel=5e-5)
    assert np.mean(cKDTree(sites).query(period)[0] ** 2) == pytest.approx(5 * s * s / 36, rel=5e-5)


def test_a_hexagonal_lattice_is_its_own_yardstick() -> None:
    """N sites in N hexagons' area: yardstick √(2A/(3√3 N)) is the covering radius, so the ratio is 1."""
    s = 20.0
    a = s * s * math.sqrt(3) / 2
    sites = hexagonal_lattice(s)
    vertices = Voronoi(sites).vertices
    middle = vertices[np.hypot(*vertices.T) < 3 * s]
    found = around(sites, middle, a * len(sites))
    assert found.yardstick_m == pytest.approx(s / math.sqrt(3), rel=1e-12)
    assert found.ratio == pytest.approx(1.0, rel=1e-9)


def test_a_square_lattice_loses_what_coverings_lose() -> None:
    """A square lattice reaches √(3√3/4) = 1.1398 yardsticks, the root of the ratio of the covering densities π/2 and 1.2092."""
    s = 20.117
    sites = square_lattice(s)
    corners = np.array([[s / 2, s / 2], [-s / 2, s / 2], [s / 2, -s / 2], [-s / 2, -s / 2]])
    found = around(sites, corners, s * s * len(sites))
    assert found.ratio == pytest.approx(math.sqrt(3 * math.sqrt(3) / 4), rel=1e-9)
    assert found.ratio == pytest.approx(math.sqrt((math.pi / 2) / 1.2092), rel=1e-4)


def test_even_loads_have_no_spread() -> None:
    """Each site of a whole number of cells serves the same trees: CV 0, min = mean = max."""
    s = 20.0
    sites = square_lattice(s, 3)
    fine = (np.arange(70) - 34.5) * 2.0
    trees = np.column_stack([a.ravel() for a in np.meshgrid(fine, fine)])
    found = around(sites, trees, 49 * s * s)
    assert (found.trees_min, found.trees_mean, found.trees_max) == (100.0, 100.0, 100.0)
    assert found.trees_cv == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_coverage_agrees_with_scipy(seed: int) -> None:
    """Mean, quantile, farthest and trees per site of random layouts and weights against cKDTree and scipy.stats.

    Trees of weight 0 want nothing and count nowhere.
    """
    dice = np.random.default_rng(seed)
    sites, trees = dice.uniform(0, 300, (40, 2)), dice.uniform(0, 300, (3000, 2))
    weight = dice.choice([0.0, 0.6, 1.0], len(trees))
    found = coverage(sites, trees, weight, area_m2=9e4, polygon=box(0, 0, 300, 300))
    trees, weight = trees[weight > 0], weight[weight > 0]
    gap, near = cKDTree(sites).query(trees)
    load = np.bincount(near, weights=weight, minlength=len(sites))
    assert found.farthest_m == pytest.approx(gap.max(), rel=1e-12)
    assert found.mean_m == pytest.approx(np.average(gap, weights=weight), rel=1e-12)
    assert found.trees_cv == pytest.approx(variation(load), rel=1e-9)
    assert (found.trees_min, found.trees_max) == pytest.approx((load.min(), load.max()))
    assert found.trees_mean == pytest.approx(weight.sum() / len(sites))
    assert found.yardstick_m == pytest.approx(math.sqrt(2 * 9e4 / (3 * math.sqrt(3) * len(sites))))
    assert weight[gap <= found.p95_m].sum() >= 0.95 * weight.sum() > weight[gap < found.p95_m].sum()
    even = coverage(sites, trees, None, area_m2=9e4, polygon=box(0, 0, 300, 300))
    assert even.p95_m == pytest.approx(np.quantile(gap, 0.95, method="inverted_cdf"), rel=1e-12)


@pytest.mark.parametrize(("lattice", "ratio"), [(square_lattice, 2.0), (hexagonal_lattice, 2.149)], ids=["square", "hexagonal"])
def test_clark_evans_of_lattices(lattice, ratio: float) -> None:  # type: ignore[no-untyped-def]
    """Nearest-neighbour ratio of big lattices: 2 for the square, 2.149 for the hexagonal (Clark & Evans 1954, Ecology 35:445).

    The edge correction (Donnelly 1978, from memory) shrinks with the number of sites; 3 % is left for it.
    """
    s, reach = 20.0, 30
    sites = lattice(s, reach)
    cell = s * s if ratio == 2.0 else s * s * math.sqrt(3) / 2
    height = s if ratio == 2.0 else s * math.sqrt(3) / 2
    ground = box(
        sites[:, 0].min() - s / 2, sites[:, 1].min() - height / 2, sites[:, 0].max() + s / 2, sites[:, 1].max() + height / 2
    )
    found = coverage(sites, sites + 1.0, np.ones(len(sites)), area_m2=cell * len(sites), polygon=ground)
    assert found.clark_evans == pytest.approx(ratio, rel=0.03)


@pytest.mark.parametrize(
    ("row_ft", "tree_ft", "per_acre"),
    [(22, 22, 90.0), (22, 18, 110.0), (22, 16, 123.75), (24, 22, 82.5), (30, 30, 48.4), (16, 8, 340.3), (20, 14, 155.57)],
)
def test_trees_an_acre(row_ft: float, tree_ft: float, per_acre: float) -> None:
    """Trees an acre are 43,560 / (row × tree spacing in feet)."""
    assert M2_PER_ACRE / (row_ft * M_PER_FT * tree_ft * M_PER_FT) == pytest.approx(per_acre, abs=0.06)


def test_the_polygon_does_not_have_to_be_a_rectangle() -> None:
    """A triangle's sites and trees: numbers of service do not depend on the outline, only the edge correction may."""
    corner = Polygon([(0, 0), (300, 0), (0, 300)])
    dice = np.random.default_rng(9)
    points = dice.uniform(0, 300, (900, 2))
    points = points[points.sum(axis=1) < 300]
    sites, trees = points[:20], points[20:]
    one = coverage(sites, trees, np.ones(len(trees)), area_m2=corner.area, polygon=corner)
    other = coverage(sites, trees, np.ones(len(trees)), area_m2=corner.area, polygon=box(0, 0, 300, 300))
    assert (one.mean_m, one.p95_m, one.farthest_m, one.trees_cv) == (
        other.mean_m, other.p95_m, other.farthest_m, other.trees_cv,
    )  # fmt: skip
