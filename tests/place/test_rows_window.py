"""A large block's driven rows, as a part of it shows them."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from mudcap.place import PlacementProblem, solve
from mudcap.place.rows import num_driven, pitch_pattern
from mudcap.place.rows_window import window


def regular(num_rows: int, num_trees: int, count: int, **more: float) -> PlacementProblem:
    """A block of rows 22 ft apart with a tree every 18 ft."""
    row, tree = np.divmod(np.arange(num_rows * num_trees), num_trees)
    xy = np.column_stack([row * 6.7056, tree * 5.4864])
    return PlacementProblem.from_points(xy, xy, count, candidate_row=row + 1, **more)


@given(first=st.integers(-5, 50), rows=st.integers(1, 80), pitch=st.integers(2, 6))
def test_every_pitch_th_drive_row_serves_alike_at_both_ends(first, rows, pitch):
    """As many as the span needs, inside it, and no more unserved rows at one end than at the other, but for one."""
    driven = pitch_pattern(range(first, first + rows), pitch)
    assert len(driven) == -(-rows // pitch)
    assert first - 1 <= driven[0] and driven[-1] <= first + rows - 1
    assert (np.diff(driven) <= pitch).all()
    before, after = driven[0] - first, first + rows - 1 - (driven[-1] + 1)
    assert rows <= pitch or abs(before - after) <= 1


def test_a_window_keeps_what_the_sites_outside_serve():
    """Points of the part are as far from their nearest site of the part or outside as they are in the whole."""
    problem = regular(60, 73, 360)
    sites = np.arange(3, 60 * 73, 12)
    part, inner, points = window(problem, sites, 90)
    assert (problem.demand_xy[points] == part.demand_xy).all()
    assert 60 <= part.count == len(inner) <= 130
    away = np.sqrt(((problem.demand_xy[:, None] - problem.candidate_xy[sites][None]) ** 2).sum(axis=2)).min(axis=1)
    at = {tuple(xy): a for xy, a in zip(problem.demand_xy.tolist(), away, strict=True)}
    own = np.sqrt(((part.demand_xy[:, None] - part.candidate_xy[inner][None]) ** 2).sum(axis=2)).min(axis=1)
    assert np.allclose(np.minimum(own, part.served_m), [at[tuple(xy)] for xy in part.demand_xy.tolist()])
    extent = np.ptp(part.candidate_xy, axis=0)
    assert 0.6 < extent[0] / extent[1] < 1.7


def test_a_large_block_is_driven_in_every_third_row_like_a_small_one():
    """Sites in every third row of a regular block keep its optimum: 120 rows need 40 driven ones, or a few more."""
    problem = regular(120, 90, 1100)
    placed = solve(problem, effort="quick")
    driven = num_driven(problem.candidate_row[placed.sites])
    assert driven <= 44
    assert next(v.value for v in placed.levels if v.name == "driven_rows") == driven
