"""Papers drawn by two processes are those that one draws, also where the other dies."""

import multiprocessing
import os
import signal

import pytest

from mudcap.app.drawing import PAPERS, Drawer, Paper, drawn_here
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
