"""The smallest number of sites that reaches a wanted distance, and what is said where none in the range does."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from laid import QUICK, Laid, lay, small_block, tasks_of
from mudcap.geo.units import parse_length
from mudcap.orchard.model import Exclusion, KeepOut
from mudcap.place.count import CountChoice, choose_counts, is_missed, missed_limits, with_counts
from mudcap.place.params import PlaceParams
from mudcap.place.solve import solve
from mudcap.plan.make import solve_here
from orchards import Point, orchard

LAID = lay(orchard(small_block("Small", 0, 0)))
ACRES = LAID.orchard.blocks[0].acres


def ranged(low: int, high: int, farthest_m: float, acres: float = ACRES) -> PlaceParams:
    """A range that gives these numbers of sites."""
    return replace(QUICK, per_acre=low / acres, per_acre_max=high / acres, farthest_m=farthest_m)


@pytest.fixture(scope="module")
def farthest() -> list[float]:
    """Best farthest distance with 1, 2, … 16 sites, each solved by itself to proof."""
    (task,) = tasks_of(LAID, ranged(1, 1, 1.0))
    found = [solve(replace(task.problem, count=n, objective="farthest")) for n in range(1, 17)]
    assert all(p.status == "optimal" for p in found)
    return [p.objective for p in found]


def choice_of(place: PlaceParams, laid: Laid = LAID, **given) -> CountChoice:
    (choice,) = choose_counts(tasks_of(laid, place, **given), laid.orchard, place, solve_here)
    return choice


@pytest.mark.parametrize("wanted", [9.0, 10.5, 11.7, 13.0, 16.0, 20.0, 30.0])
@pytest.mark.parametrize("low, high", [(1, 16), (4, 9), (6, 6)])
def test_the_number_is_that_of_trying_them_all(farthest, wanted, low, high):
    """Within the range; the largest of it where none reaches the distance."""
    choice = choice_of(ranged(low, high, wanted))
    enough = [n for n in range(low, high + 1) if farthest[n - 1] <= wanted + 1e-6]
    assert choice.reached == bool(enough)
    assert choice.count == (enough[0] if enough else high)
    assert choice.farthest_m == pytest.approx(farthest[choice.count - 1])
    assert len(choice.sites) == choice.count
    if choice.least_proven:
        assert choice.count > 1 and farthest[choice.count - 2] > wanted
    elif choice.reached:
        assert choice.count == low


def test_the_number_that_would_do_is_the_first_beyond_the_range(farthest):
    """8 m asked for, up to 6 sites allowed."""
    wanted = farthest[13]
    choice = choice_of(ranged(2, 6, wanted))
    assert not choice.reached and choice.count == 6
    assert choice.would_do == next(n for n, d in enumerate(farthest, 1) if d <= wanted + 1e-6)


def test_a_number_far_beyond_the_range_is_found_too():
    """A shelter at every other tree is more than four times the largest number allowed."""
    choice = choice_of(ranged(1, 3, 5.0))
    assert choice.would_do is not None and choice.would_do > 12
    (task,) = tasks_of(LAID, ranged(1, 3, 5.0))
    assert solve(replace(task.problem, count=choice.would_do, objective="farthest"), effort="quick").objective <= 5.0 + 1e-6


def test_where_rules_bar_the_ground_no_number_would_do():
    """Hives in the corner: the tree under them stays as far as the nearest free station is; nothing more is solved."""
    hives = KeepOut(name="bees", geometry=Point(0, 0), setback_m=25.0, reason="hives", rule=Exclusion.HIVES)
    laid = lay(orchard(small_block("Small", 0, 0), keep_outs=(hives,)))
    choice = choice_of(ranged(1, 6, 15.0), laid)
    free = laid.candidates.xy[laid.candidates.reasons == 0]
    least = max(np.hypot(*(free - t).T).min() for t in laid.demand.xy)
    assert not choice.reached and choice.would_do is None and choice.least_m == pytest.approx(least)


def test_added_sites_and_pins_count():
    """The quota of the range, one added on top; never fewer than are pinned."""
    place = ranged(3, 3, 40.0)
    assert choice_of(place, pinned=np.array([5]), added={0: 1}).count == 4
    assert choice_of(place, pinned=np.arange(0, 70, 10)).count == 7


def test_without_a_wanted_distance_nothing_is_chosen():
    """And nothing is solved."""
    place = replace(QUICK, per_acre=9.0)
    assert choose_counts(tasks_of(LAID, place), LAID.orchard, place, solve_here) == ()
    assert with_counts(tasks_of(LAID, place), (), place)[0].quota == tasks_of(LAID, place)[0].quota


@pytest.mark.parametrize("wanted", [11.7, 13.5, 16.5, 22.0])
def test_what_is_given_up_for_evenness_never_crosses_the_wanted_distance(wanted):
    """The even layout with the chosen number keeps it, though its slack would allow more."""
    place = replace(ranged(2, 14, wanted), slack=0.3)
    tasks = tasks_of(LAID, place)
    choices = choose_counts(tasks, LAID.orchard, place, solve_here)
    (task,) = with_counts(tasks, choices, place)
    assert choices[0].reached and task.quota == task.problem.count == choices[0].count
    assert task.start is choices[0].sites
    assert solve(task.problem, effort="quick", start=task.start).distance_m.max() <= wanted + 1e-6


def finding(place: PlaceParams, laid: Laid = LAID, units="us"):
    """What is said of the even layout, and its farthest distance."""
    tasks = tasks_of(laid, place)
    choices = choose_counts(tasks, laid.orchard, place, solve_here)
    (task,) = with_counts(tasks, choices, place)
    placed = solve(task.problem, effort="quick", start=task.start)
    found = missed_limits(choices, laid.orchard, {0: placed.distance_m}, place, units)
    return (found[0] if found else None), placed


@pytest.mark.parametrize("units", ["us", "metric"])
@pytest.mark.parametrize("wanted", [8.2, 10.3, 12.9])
def test_the_text_of_a_missed_limit_is_true(wanted, units):
    """Run again with the named number it is reached; run again with the named distance it is too."""
    place = ranged(2, 5, wanted)
    said, placed = finding(place, units=units)
    beyond = int((placed.distance_m > wanted + 1e-6).sum())
    assert said.code == "farthest_not_met" and f"{beyond} trees ({beyond * ACRES / 80:.2f} ac)" in said.text
    number, per_acre = re.search(r"(\d+) sites \(([\d.]+) an acre\) would reach it", said.text).groups()
    again = replace(QUICK, per_acre=float(per_acre), farthest_m=wanted)
    (task,) = tasks_of(LAID, again)
    assert task.quota >= int(number) and finding(again)[0] is None
    named = parse_length(re.search(r"the limit would have to be ([\d.]+ (?:ft|m))", said.text).group(1))
    assert placed.distance_m.max() <= named + 1e-6 < placed.distance_m.max() + 0.11
    assert finding(replace(place, farthest_m=named))[0] is None


def test_the_text_says_where_no_number_would_do():
    """And how near the trees could come at best."""
    hives = KeepOut(name="bees", geometry=Point(0, 0), setback_m=25.0, reason="hives", rule=Exclusion.HIVES)
    laid = lay(orchard(small_block("Small", 0, 0), keep_outs=(hives,)))
    said, _placed = finding(ranged(1, 6, 15.0), laid, "metric")
    least = parse_length(re.search(r"a tree stays ([\d.]+ m) away", said.text).group(1))
    assert "no number of sites would" in said.text
    assert 0 <= least - choice_of(ranged(1, 6, 15.0), laid).least_m < 0.1


def test_a_limit_that_the_layout_reaches_after_all_is_not_missed():
    """What stands counts, not what a quick search found before."""
    place = ranged(2, 5, 12.9)
    choices = choose_counts(tasks_of(LAID, place), LAID.orchard, place, solve_here)
    assert not choices[0].reached
    assert missed_limits(choices, LAID.orchard, {0: np.array([3.0, 12.9])}, place, "us") == ()
    assert is_missed(np.array([13.0]), 12.9) and not is_missed(np.array([]), 12.9)


def test_blocks_advance_together():
    """One batch a step, however many blocks."""
    laid = lay(orchard(small_block("A", 0, 0), small_block("B", 500, 0, rows=6)))
    place = ranged(2, 9, 14.0)
    sizes = []

    def watch(jobs):
        sizes.append([j.name for j in jobs])
        return solve_here(jobs)

    choices = choose_counts(tasks_of(laid, place), laid.orchard, place, watch)
    assert sizes[0] == ["A", "B"] and len(sizes) <= 1 + 3 + 8
    for block in (0, 1):
        alone = lay(orchard(laid.orchard.blocks[block]))
        assert choice_of(place, alone).count == choices[block].count
