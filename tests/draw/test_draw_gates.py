"""Locked gates look otherwise than open ones, on screen and paper."""

from __future__ import annotations

from dataclasses import replace
from io import BytesIO

from plans import sample_plan
from pypdf import PdfReader
from shapely import Point

from mudcap.draw.scene import make_scene
from mudcap.draw.sheet import sheet
from mudcap.draw.style import STYLES
from mudcap.orchard.model import Gate, Role
from mudcap.plan.model import Plan

VEHICLES = frozenset({"truck", "cart"})


def gated(keys: str = "") -> Plan:
    """The sample plan with a locked gate, one that the crew has the key of, and one too narrow for trucks, beside the open one."""
    plan = sample_plan(1, 30)
    more = (
        Gate(role=Role.GATES, name="Canal gate", geometry=Point(-10, -20), locked=VEHICLES),
        Gate(role=Role.GATES, name="Shop gate", geometry=Point(20, -20), locked=VEHICLES, has_key=True),
        Gate(role=Role.GATES, name="Stile", geometry=Point(40, -14), modes=frozenset({"foot"})),
    )
    params = replace(plan.params, travel=replace(plan.params.travel, keys=keys))
    return replace(plan, orchard=replace(plan.orchard, gates=(*plan.orchard.gates, *more)), params=params)


def marks(plan: Plan) -> dict[str, tuple[str, str]]:
    """Style and note of each gate by its name."""
    layer = make_scene(plan).layer("gates")
    assert layer is not None
    return {mark.label: (mark.style, mark.note) for mark in layer.marks if mark.style != "yard"}


def test_each_gate_by_its_lock() -> None:
    """The lock shows even where the crew has the key, which the note says."""
    assert marks(gated()) == {
        "East gate": ("gate", ""), "Canal gate": ("gate_locked", "locked, no key"),
        "Shop gate": ("gate_locked", "locked, the crew has the key"), "Stile": ("gate", ""),
    }  # fmt: skip
    assert marks(gated(keys="canal gate"))["Canal gate"][1] == "locked, the crew has the key"


def test_told_apart_without_colour_and_named_in_the_legend() -> None:
    """Another letter and a heavier frame; the sheet's legend says what it is."""
    plain, locked = STYLES["gate"], STYLES["gate_locked"]
    assert plain.letter != locked.letter and locked.width_mm > 1.5 * plain.width_mm
    pages = PdfReader(BytesIO(sheet(gated()))).pages
    assert "locked gate" in "".join(page.extract_text() for page in pages)
