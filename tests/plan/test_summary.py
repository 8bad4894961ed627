"""What is said of a block: names, units, lengths and the findings of a plan, one by one."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from laid import QUICK, small_block
from mudcap.orchard.model import Exclusion
from mudcap.place.borders import BorderSaving
from mudcap.place.fallback import hexagonal
from mudcap.place.layout import SOFT
from mudcap.place.rows import drive_rows
from mudcap.plan.assign import hanging_order
from mudcap.plan.make import make_plan
from mudcap.plan.model import Params, Plan
from mudcap.plan.summary import border_findings, crowded_advice, driven_length_m, excluded_by_rule
from mudcap.supply.params import StockingParams
from orchards import guarded_block, orchard

GROUND = orchard(small_block("Small", 0, 0), small_block("Pears", 200, 0, crop="pear"))


def plan_of(ground=GROUND, **options) -> Plan:
    def grid(jobs):
        return [replace(hexagonal(j.problem), stopped=False, fallback=False) for j in jobs]

    return make_plan(ground, Params(**{"place": QUICK, **options}), solve_all=grid)


def said(plan: Plan, code: str) -> list[str]:
    return [f.text for f in plan.findings if f.code == code]


def test_stations_are_counted_under_each_rule_that_bars_them():
    """A station under two rules counts twice; rules that bar none are not named."""
    reasons = np.array([0, int(Exclusion.HIVES), int(Exclusion.HIVES | Exclusion.HAZARD)])
    assert excluded_by_rule(reasons) == {"hives": 2, "hazard": 1}
    assert excluded_by_rule(np.zeros(4, np.int64)) == {}
    plan = plan_of(guarded_block())
    reasons = plan.candidates.reasons
    assert plan.blocks[0].excluded == {
        f.name.lower(): int(((reasons & f) != 0).sum()) for f in Exclusion if ((reasons & f) != 0).any()
    }
    assert not SOFT & Exclusion.HIVES


def test_driven_rows_are_as_long_as_their_alleys():
    """Each drive row once, by the number of the tree row on its low side."""
    plan = plan_of()
    block = plan.orchard.blocks[0]
    alleys = {a.left_row: a.line.length for a in block.alleys}
    assert driven_length_m(block, np.array([1, 3, 3])) == pytest.approx(alleys[1] + alleys[3])
    assert driven_length_m(block, np.array([], np.int64)) == 0.0
    for said_of, ground in zip(plan.blocks, plan.orchard.blocks, strict=True):
        rows = [s.row for s in plan.sites if s.block_id == said_of.block_id]
        driven = set(drive_rows(rows).tolist())
        assert said_of.driven_rows == len(driven)
        assert said_of.driven_m == pytest.approx(sum(a.line.length for a in ground.alleys if a.left_row in driven))


def test_sites_are_hung_up_one_drive_row_and_down_the_next():
    """Rows 1 and 2 from the alley between them going up, rows 5 and 6 coming back."""
    row = np.array([5, 1, 2, 6, 1, 5])
    tree = np.array([9, 4, 7, 2, 1, 3])
    order = hanging_order(row, tree)
    assert list(zip(row[order], tree[order], strict=True)) == [(1, 1), (1, 4), (2, 7), (5, 9), (5, 3), (6, 2)]


def test_crowded_shelters_name_the_worst_block():
    """Few sites with many cavities: two of two blocks."""
    plan = plan_of(place=replace(QUICK, per_acre=2.0), stocking=StockingParams(cavities_warn=150))
    (text,) = said(plan, "crowded_shelter")
    most = {b.block_id: max(s.cavities for s in plan.sites if s.block_id == b.block_id) for b in plan.blocks}
    crowded = sum(v > 150 for v in most.values())
    assert f"In {crowded} of 2 blocks" in text and f"at most {max(most.values())}" in text
    assert not said(plan_of(place=replace(QUICK, per_acre=30.0)), "crowded_shelter")


@pytest.mark.parametrize(
    ("cavities", "advice"),
    [
        ((90, 110, 95), "Hang two shelters there, or ask for more sites an acre."),
        ((180, 200, 210), "Hang 3 shelters there, or ask for more sites an acre."),
        ((60,) * 19 + (1365,), "14 shelters in one place would not serve them"),
    ],
)
def test_advice_for_a_full_site_counts_shelters_and_says_when_trees_are_out_of_reach(cavities, advice):
    """Two shelters never hold what takes three; many more than the others means trees without a shelter near."""
    assert advice in crowded_advice(cavities, 100)


def test_a_rate_that_nobody_established_is_told_unless_given():
    """Each block of such a crop once."""
    texts = said(plan_of(ground=orchard(small_block("Quince", 0, 0, crop="quince"))), "rate_not_established")
    assert len(texts) == 1 and "quince" in texts[0]
    given = plan_of(ground=orchard(small_block("Quince", 0, 0, crop="quince")), stocking=StockingParams(females_per_acre=250))
    assert not said(given, "rate_not_established")


def test_mud_beyond_the_limit_is_told_in_the_units_of_the_plan():
    """Number of sites, limit and blocks; the same number stands with the blocks."""
    for units, limit in (("us", "164 ft"), ("metric", "50 m")):
        plan = plan_of(units=units)
        (text,) = said(plan, "beyond_mud")
        assert f"{len(plan.sites)} of {len(plan.sites)} sites have no clean mud within {limit}" in text
        assert "Small, Pears" in text and sum(b.beyond_mud for b in plan.blocks) == len(plan.sites)


SAVING = BorderSaving(
    block=0, trees_across=7, farthest_before_m=15.0, farthest_m=12.0, mean_before_m=8.0, mean_m=7.5
)


@pytest.mark.parametrize(
    ("units", "words"),
    [
        ("metric", ("7 trees", "12.0 m from", "instead of 15.0 m", "7.50 m instead of 8.00 m")),
        ("us", ("7 trees", "39.4 ft from", "instead of 49.2 ft", "24.61 ft instead of 26.25 ft")),
    ],
)
def test_border_savings_speak_the_units_of_the_plan(units, words):
    """With the block's name; a block that nobody helps has none."""
    (note,) = border_findings(GROUND, [SAVING, replace(SAVING, block=1, trees_across=0)], units)
    assert note.level == "note" and note.code == "border_saving" and note.feature == "Small"
    assert all(word in note.text for word in words)
