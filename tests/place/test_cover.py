"""Set cover at a radius: reductions keep the optimum, and the searches return what they say."""

from itertools import combinations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from mudcap.place.bounds import linear_price, needed_columns, solve_cover
from mudcap.place.cover import cover_at, reduce
from mudcap.place.cover_halves import cover_by_halves
from mudcap.place.cover_search import greedy_columns, search_cover
from mudcap.place.near import within


def _cover(seed, num_rows=12, num_columns=10, radius=0.45):
    rng = np.random.default_rng(seed)
    near = within(rng.random((num_columns, 2)), rng.random((num_rows, 2)), radius)
    return cover_at(near, radius, np.ones(num_rows, bool), np.ones(num_columns, bool))


def _rows_of(cover, column):
    return set(cover.column_row[cover.column_ptr[column] : cover.column_ptr[column + 1]].tolist())


def _covers(cover, columns):
    return set().union(*(_rows_of(cover, c) for c in columns)) == set(range(cover.num_rows))


def _least(cover):
    """Size of a smallest cover by trying all; None where there is none."""
    for size in range(cover.num_columns + 1):
        if any(_covers(cover, chosen) for chosen in combinations(range(cover.num_columns), size)):
            return size
    return None


def test_both_lists_of_a_cover_name_the_same_pairs():
    """Rows list the columns that list them, for the chosen rows and columns only, within the radius only."""
    rng = np.random.default_rng(4)
    candidates, demand = rng.random((20, 2)), rng.random((30, 2))
    rows, columns = rng.random(30) < 0.7, rng.random(20) < 0.7
    cover = cover_at(within(candidates, demand, 0.5), 0.3, rows, columns)
    by_row = {
        (int(cover.row_demand[i]), int(cover.column_candidate[c]))
        for i in range(cover.num_rows)
        for c in cover.row_column[cover.row_ptr[i] : cover.row_ptr[i + 1]]
    }
    by_column = {
        (int(cover.row_demand[i]), int(cover.column_candidate[c]))
        for c in range(cover.num_columns)
        for i in _rows_of(cover, c)
    }
    away = np.hypot(*(demand[:, None] - candidates[None]).transpose(2, 0, 1))
    true = {(i, c) for i, c in zip(*np.nonzero(away <= 0.3), strict=True) if rows[i] and columns[c]}
    assert by_row == by_column == true


@given(seed=st.integers(0, 100_000), radius=st.floats(0.2, 0.9))
@settings(max_examples=80, deadline=None)
def test_reductions_keep_the_optimum(seed, radius):
    """Forced columns and a smallest cover of what is left make a smallest cover of the whole."""
    cover = _cover(seed, radius=radius)
    if cover.has_hopeless_row:
        assert _least(cover) is None
        return
    small = reduce(cover)
    assert len(small.forced) + _least(small.cover) == _least(cover)
    lifted = [int(c) for c in small.forced]
    lifted += small.cover.column_candidate[greedy_columns(small.cover, seed=0)].tolist()
    assert _covers(cover, lifted)


@given(seed=st.integers(0, 100_000))
@settings(max_examples=40, deadline=None)
def test_a_dominated_column_has_a_stand_in_that_covers_as_much(seed):
    """Replacing each column by the one that stands for it uncovers nothing that matters."""
    cover = _cover(seed, radius=0.5)
    if cover.has_hopeless_row:
        return
    small = reduce(cover)
    kept = set(small.cover.row_demand.tolist())
    for column, other in enumerate(small.stands_for):
        assert _rows_of(cover, column) & kept <= _rows_of(cover, int(other))


def test_a_regular_block_reduces_to_its_answer():
    """Rows of 22 x 18 ft at 3 x 3 trees a site: nothing is left to search."""
    row, tree = np.divmod(np.arange(12 * 15), 15)
    xy = np.column_stack([row * 22, tree * 18]) * 0.3048
    radius = float(np.hypot(22, 18)) * 0.3048
    everything = np.ones(len(xy), bool)
    small = reduce(cover_at(within(xy, xy, radius), radius, everything, everything))
    assert (small.cover.num_rows, len(small.forced)) == (0, 20)


@given(seed=st.integers(0, 100_000))
@settings(max_examples=40, deadline=None)
def test_the_search_finds_smallest_covers_and_counts_what_it_leaves(seed):
    """With the optimal number of columns all is covered; with one fewer, exactly the rows it says are not."""
    cover = _cover(seed)
    least = _least(cover)
    if least is None or least < 2:
        return
    start = greedy_columns(cover, seed=seed)
    start = np.concatenate([start, np.setdiff1d(np.arange(cover.num_columns), start)])
    found = search_cover(cover, start[:least], steps=3000, seed=seed)
    assert found.num_uncovered == 0
    assert _covers(cover, found.columns)
    short = search_cover(cover, start[: least - 1], steps=200, seed=seed)
    covered = set().union(*(_rows_of(cover, c) for c in short.columns))
    assert len(set(short.columns.tolist())) == least - 1
    assert short.num_uncovered == cover.num_rows - len(covered) > 0


def test_the_search_repeats_itself_and_stops_when_told():
    """One seed, one answer; asked to stop, it ends after the first stretch."""
    cover = _cover(3, 300, 300, 0.08)
    start = greedy_columns(cover, seed=1)[:-12]
    first, second = (search_cover(cover, start, steps=5000, seed=9) for _ in range(2))
    assert first.columns.tolist() == second.columns.tolist()
    halted = search_cover(cover, start, steps=10_000_000, seed=9, stop=lambda: True)
    assert halted.steps < 10_000_000


@given(seed=st.integers(0, 100_000))
@settings(max_examples=25, deadline=None)
def test_branch_and_bound_agrees_with_trying_all(seed):
    """It finds a cover of the least size, and proves that one fewer is impossible."""
    cover = _cover(seed)
    least = _least(cover)
    if least is None or least < 2:
        return
    answer = solve_cover(cover, least, nodes=1000)
    assert answer.columns is not None
    assert _covers(cover, answer.columns)
    assert len(answer.columns) == least
    assert solve_cover(cover, least - 1, nodes=1000).is_impossible


def test_a_row_without_column_is_seen():
    """A point out of reach makes the cover hopeless."""
    near = within(np.zeros((1, 2)), np.array([[0.0, 0.1], [5.0, 5.0]]), 1.0)
    assert cover_at(near, 1.0, np.ones(2, bool), np.ones(1, bool)).has_hopeless_row
    assert not cover_at(near, 1.0, np.array([True, False]), np.ones(1, bool)).has_hopeless_row


def test_no_column_covers_nothing():
    """A search without columns leaves every row uncovered."""
    cover = _cover(1)
    found = search_cover(cover, np.empty(0, np.int64), steps=9, seed=0)
    assert found.num_uncovered == cover.num_rows


@given(seed=st.integers(0, 100_000), radius=st.floats(0.2, 0.9), is_in_line=st.booleans())
@settings(max_examples=80, deadline=None)
def test_branching_by_halves_tells_what_brute_force_tells(seed, radius, is_in_line):
    """A cover of the least size or the proof that one fewer is too few; never the opposite of the truth where it ends without either."""
    rng = np.random.default_rng(seed)
    places, points = rng.random((10, 2)), rng.random((14, 2))
    if is_in_line:
        places[:, 1] = points[:, 1] = 0.5
    cover = cover_at(within(places, points, radius), radius, np.ones(14, bool), np.ones(10, bool))
    least = _least(cover)
    for count in range(11):
        answer = cover_by_halves(cover, places, count, programs=200)
        if answer.columns is not None:
            assert len(answer.columns) <= count and _covers(cover, answer.columns)
        if answer.is_impossible:
            assert least is None or count < least


def test_halves_prove_what_single_columns_leave_open():
    """A grid of 9 by 9 trees and the places between them: where the linear programme is short of the truth, halves bring it up."""
    points = np.array([(x, y) for x in range(9) for y in range(9)], float)
    places = np.array([(x + 0.5, y + 0.5) for x in range(8) for y in range(8)])
    cover = cover_at(within(places, points, 1.6), 1.6, np.ones(len(points), bool), np.ones(len(places), bool))
    enough = len(search_cover(cover, greedy_columns(cover, seed=0), steps=1000, seed=0).columns)
    while not (trial := search_cover(cover, greedy_columns(cover, seed=0)[: enough - 1], steps=20_000, seed=0)).num_uncovered:
        enough = len(trial.columns)
    bound = needed_columns(cover, linear_price(cover, iterations=20_000)).fractional
    assert bound < enough - 1
    assert cover_by_halves(cover, places, enough - 1, programs=300).is_impossible
    found = cover_by_halves(cover, places, enough, programs=300)
    assert found.columns is None or _covers(cover, found.columns)


def test_a_point_that_nothing_reaches_is_impossible_to_cover():
    """However many columns there may be."""
    cover = cover_at(within(np.zeros((1, 2)), np.array([(0.0, 0.0), (9.0, 0.0)]), 1.0), 1.0, np.ones(2, bool), np.ones(1, bool))
    assert cover_by_halves(cover, np.zeros((1, 2)), 1, programs=5).is_impossible
