"""Release points: the best stations by trying all, cocoons that add up, and what bars a station."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.distance import cdist

from laid import lay
from mudcap.orchard.model import Exclusion
from mudcap.place.params import AccessParams, PlaceParams
from mudcap.plan.make import solve_here
from mudcap.supply.params import StockingParams
from mudcap.supply.release import BlockCocoons, ReleaseParams, choose_points, plan_release
from orchards import guarded_block, two_blocks_and_a_road


def cost(stations, trees, weight, chosen, mode):
    """Weighted sum (central) or farthest distance (spread)."""
    nearest = cdist(stations[list(chosen)], trees).min(axis=0)
    return float(weight @ nearest) if mode == "central" else float(nearest.max())


@settings(max_examples=60, deadline=None)
@given(
    seed=st.integers(0, 10**6), n=st.integers(1, 14), m=st.integers(1, 30), count=st.integers(1, 4),
    mode=st.sampled_from(["central", "spread"]), is_grid=st.booleans(),
)  # fmt: skip
def test_as_good_as_all_sets_of_stations(seed, n, m, count, mode, is_grid):
    """Vertex median and vertex centre, ties and doubles too."""
    rng = np.random.default_rng(seed)
    stations, trees = (rng.integers(0, 6, (k, 2)).astype(float) if is_grid else rng.random((k, 2)) * 9 for k in (n, m))
    weight = rng.uniform(0.5, 2.0, m)
    found = choose_points(stations, trees, weight, count, mode)
    assert len(set(found.tolist())) == min(count, n)
    best = min(cost(stations, trees, weight, c, mode) for c in combinations(range(n), min(count, n)))
    assert cost(stations, trees, weight, found, mode) == pytest.approx(best, abs=1e-8)


@pytest.mark.parametrize("mode", ["central", "spread"])
@pytest.mark.parametrize("seed", range(3))
def test_one_point_among_thousands_is_exact(seed, mode):
    """A whole block at once, against all stations."""
    rng = np.random.default_rng(seed)
    trees = rng.random((1500, 2)) * (400, 160)
    stations = trees[rng.random(1500) < 0.7]
    weight = rng.uniform(0.2, 2.0, 1500)
    away = cdist(stations, trees)
    values = away @ weight if mode == "central" else away.max(axis=1)
    (found,) = choose_points(stations, trees, weight, 1, mode)
    assert values[found] == pytest.approx(values.min())


@pytest.mark.parametrize("mode", ["central", "spread"])
def test_a_search_over_many_sets_comes_near_the_best_of_random_ones(mode):
    """Four points of a block of 20 × 20 trees: by symmetry the middles of the quarters are best (3.5 steps from the centre)."""
    trees = np.array([(i, j) for i in range(20) for j in range(20)], float)
    found = choose_points(trees, trees, np.ones(400), 4, mode)
    quarters = [k for k, (i, j) in enumerate(trees) if i in (4, 14) and j in (4, 14)]
    assert cost(trees, trees, np.ones(400), found, mode) <= 1.02 * cost(trees, trees, np.ones(400), quarters, mode)


def release(laid, stock, params):
    """The points and what is said of them, solved in this process; nothing stops the search."""
    points, said, is_stopped = plan_release(
        laid.orchard, laid.candidates, laid.demand, stock, params, StockingParams(), place=PlaceParams(effort="quick"),
        solve_all=solve_here,
    )  # fmt: skip
    assert not is_stopped
    return points, said


def laid_with_stock(ground, **access):
    """The ground with stations, and 1,001 females and 1,501 males for each block."""
    laid = lay(ground, access=AccessParams(**access))
    first = [int(np.flatnonzero(laid.candidates.block == k)[0]) for k in range(len(laid.orchard.blocks))]
    return laid, [BlockCocoons(block=k, females=1001, males=1501, stations=(s,)) for k, s in enumerate(first)]


@pytest.mark.parametrize("params", [ReleaseParams(), ReleaseParams(mode="spread", points=3, capacity=500)])
def test_cocoons_add_up_in_each_block(params):
    """Females and males are those of the block; containers hold them; names are unique; stations are free."""
    laid, stock = laid_with_stock(two_blocks_and_a_road())
    points, said = release(laid, stock, params)
    assert [p.name for p in points] == [f"A{k + 1}" for k in range(2 * params.points)] and not said
    for block in ("South", "North"):
        own = [p for p in points if p.block_id == block]
        assert len(own) == params.points
        assert (sum(p.females for p in own), sum(p.males for p in own)) == (1001, 1501)
        for p in own:
            cocoons = sum(-(-n * 4 // 3) for n in (p.females, p.males))  # three of four are expected to give a bee
            assert p.containers == -(-cocoons // params.capacity)
            here = (laid.candidates.row == p.row) & (laid.candidates.tree == p.tree)
            here &= np.hypot(*(laid.candidates.xy - (p.x_m, p.y_m)).T) < 1e-9
            assert here.sum() == 1 and laid.candidates.reasons[here][0] == 0


def test_a_barred_middle_is_left_for_the_next_best_station():
    """Hives, store, closure and lanes bar a release point as they bar a shelter; mud does not matter."""
    laid, stock = laid_with_stock(guarded_block())
    (point,), said = release(laid, stock, ReleaseParams())
    free = laid.candidates.reasons == 0
    assert not said and point.lane_m >= 6.0
    clear = np.flatnonzero(free & (laid.candidates.lane_m >= 6.0))
    sums = cdist(laid.candidates.xy[clear], laid.demand.xy).sum(axis=1)
    assert np.allclose((point.x_m, point.y_m), laid.candidates.xy[clear[sums.argmin()]])
    dry = laid.with_stations(reasons=laid.candidates.reasons | int(Exclusion.NO_MUD))
    assert release(dry, stock, ReleaseParams())[0] == (point,)


def test_where_all_is_near_a_lane_the_farthest_station_is_taken_and_told():
    """And where every station is barred, the site's own stands in."""
    laid, stock = laid_with_stock(guarded_block())
    far = ReleaseParams(lane_clear_m=500.0)
    (point,), (said,) = release(laid, stock, far)
    free = laid.candidates.reasons == 0
    assert point.lane_m == laid.candidates.lane_m[free].max() and said.code == "release_near_lane"
    barred = laid.with_stations(reasons=np.full(len(laid.candidates.xy), int(Exclusion.HAZARD)))
    own = replace(stock[0], stations=(17,))
    (point,), _said = release(barred, [own], ReleaseParams(lane_clear_m=0.0))
    assert (point.x_m, point.y_m) == tuple(laid.candidates.xy[17])


def test_a_block_without_sites_gets_no_point():
    """Nothing is set out where no shelter hangs."""
    laid, stock = laid_with_stock(two_blocks_and_a_road())
    points, _said = release(laid, [stock[0], replace(stock[1], stations=())], ReleaseParams())
    assert [p.block_id for p in points] == ["South"]
