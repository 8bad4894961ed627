"""Papers drawn by two processes are those that one draws, also where the other dies."""

import multiprocessing
import os
import signal

import pytest

from laid import QUICK, small_block
from mudcap.app.drawing import PAPERS, Drawer, Paper, drawn_here
from mudcap.draw.webmap import web_map
from mudcap.plan.make import make_plan
from mudcap.plan.model import Params
from orchards import block, box, orchard
from small_plan import two_block_plan


def papers() -> list[Paper]:
    """Every paper, in English."""
    return [Paper(name=kind, kind=kind, lang="en", page="letter") for kind in PAPERS]


@pytest.mark.parametrize("kill", ["", "before", "after"])
def test_the_same_bytes_whoever_draws(kill):
    """Each paper once, and what is drawn beside them; a child that is killed costs nothing."""
    plan = two_block_plan()
    with Drawer() as drawer:
        if kill:
            drawer.start()
            (child,) = (p for p in multiprocessing.active_children() if p.name == "mudcap-drawer")
        if kill == "before":
            os.kill(child.pid, signal.SIGKILL)
            child.join()
        drawer.load()
        if kill == "after":
            os.kill(child.pid, signal.SIGKILL)
        drawn = drawer.draw({"en": plan}, papers(), {"map.html": lambda: "map"})
    assert drawn.pop("map.html") == "map"
    assert drawn == {paper.name: drawn_here(paper, {"en": plan}) for paper in papers()}


def test_what_cannot_be_drawn_is_told_here():
    """An error in the child comes up again in this process."""
    with Drawer() as drawer, pytest.raises(KeyError):
        drawer.draw({}, papers(), {})


def test_a_block_without_a_tree_is_drawn_too():
    """A sliver beside a block that is planned: every paper and the map come out, and tell of it."""
    ground = orchard(small_block("Whole", 0, 0), block("Sliver", box(60, 0, 62, 8)), block("Patch", box(80, 0, 95, 9), row_spacing_m=40.0))
    plan = make_plan(ground, Params(place=QUICK))
    assert [b.status for b in plan.blocks] == ["planned", "no_site", "no_site"]
    assert not any(len(b.rows.tree_xy) for b in plan.orchard.blocks[1:])
    for paper in papers():
        assert drawn_here(paper, {"en": plan})
    assert "Sliver" in web_map(plan, "en")
