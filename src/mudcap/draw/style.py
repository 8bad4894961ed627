"""One palette for screen and paper; every key differs from its neighbours by shape, dash or hatch, not by colour alone.

Colours: Okabe & Ito, Color Universal Design (2008), darkened where a line must be read in the sun.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Literal

Hatch = Literal["", "diagonal", "counter", "cross", "dots", "horizontal", "vertical"]
Symbol = Literal[
    "", "ring", "ring_square", "triangle", "saltire", "dot", "square", "diamond", "hexagon", "octagon", "drop", "house"
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Style:
    """How one kind of mark is drawn; widths and sizes in millimetres on paper, four pixels a millimetre on screen."""

    stroke: str = "#000000"
    width_mm: float = 0.25
    dash_mm: tuple[float, ...] = ()
    fill: str = ""
    """'' = not filled."""
    hatch: Hatch = ""
    hatch_mm: float = 2.0
    """Distance between hatch lines."""
    symbol: Symbol = ""
    """Drawn at points."""
    letter: str = ""
    """One capital inside the symbol."""
    size_mm: float = 3.0
    """Width of the symbol."""
    casing_mm: float = 0.0
    """Two parallel lines this far apart instead of one line, as roads are drawn; 0 = one line."""
    ink: bool = True
    """False where the mark is a background on which labels may stand."""


BLACK, GREY, PALE = "#000000", "#6b6b6b", "#b5b5b5"
SITE_DOT_MM: Final = 0.25
"""Half the width of the speck that stands for a site on an overview."""
BLUE, GREEN, VERMILION, PURPLE, SKY, BROWN = "#00558f", "#00664b", "#b84a00", "#8a3d6b", "#d6ebf7", "#6a4a1f"

STYLES: Final[Mapping[str, Style]] = {
    "block": Style(stroke=BLACK, width_mm=0.5, fill="#fbfaf5"),
    "block_outside": Style(stroke=GREY, width_mm=0.25, ink=False),
    "row": Style(stroke="#a9a9a9", width_mm=0.12, ink=False),
    "catchment": Style(stroke=PURPLE, width_mm=0.15, dash_mm=(0.6, 0.9), ink=False),
    "road": Style(stroke=BLACK, width_mm=0.25, fill="#ffffff", casing_mm=1.3),
    "spray_lane": Style(stroke=VERMILION, width_mm=0.3, dash_mm=(2.4, 1.0), fill="#fdf0e6", hatch="diagonal",
                        hatch_mm=1.6, ink=False),
    "spray_alley": Style(stroke=VERMILION, width_mm=0.5, dash_mm=(3.0, 0.8, 0.5, 0.8), ink=False),
    "keep_out": Style(stroke=BLACK, width_mm=0.4, fill="#ececec", hatch="cross", hatch_mm=1.6, symbol="octagon"),
    "setback": Style(stroke=BLACK, width_mm=0.2, dash_mm=(0.8, 0.8), ink=False),
    "hives": Style(stroke=PURPLE, width_mm=0.4, fill="#f6e9f1", hatch="dots", hatch_mm=1.6, symbol="hexagon",
                   letter="H", size_mm=4.2),
    "hazard": Style(stroke=BLACK, width_mm=0.6, dash_mm=(0.4, 1.6), symbol="triangle", letter="!", size_mm=4.8),
    "chemical_store": Style(stroke=BLACK, width_mm=0.5, fill="#ffffff", symbol="diamond", letter="C", size_mm=5.0),
    "mud": Style(stroke=BROWN, width_mm=0.4, fill="#efe3d0", hatch="horizontal", hatch_mm=1.1, symbol="square",
                 letter="M", size_mm=3.8),
    "mud_bad": Style(stroke=BLACK, width_mm=0.4, fill="#ffffff", hatch="counter", hatch_mm=2.2, symbol="saltire",
                     letter="", size_mm=4.0),
    "puddle": Style(stroke=BLUE, width_mm=0.45, fill=SKY, symbol="drop", letter="", size_mm=4.2),
    "puddle_link": Style(stroke=BLUE, width_mm=0.2, dash_mm=(0.7, 0.5), ink=False),
    "water_round": Style(stroke=BLUE, width_mm=0.7, dash_mm=(2.4, 0.6, 0.4, 0.6), ink=False),
    "release": Style(stroke=BLACK, width_mm=0.5, fill="#ffffff", symbol="house", letter="A", size_mm=5.0),
    "water": Style(stroke=BLUE, width_mm=0.4, fill=SKY, symbol="square", letter="W", size_mm=3.8),
    "ditch": Style(stroke=BLUE, width_mm=0.4, dash_mm=(3.2, 1.0), ink=True),
    "forage": Style(stroke=GREEN, width_mm=0.3, dash_mm=(1.2, 0.6), fill="#e8f2ea", hatch="dots", hatch_mm=2.2,
                    symbol="square", letter="F", size_mm=3.8),
    "soil": Style(stroke=BROWN, width_mm=0.2, dash_mm=(0.4, 0.8), ink=False),
    "closure": Style(stroke=BLACK, width_mm=0.3, dash_mm=(1.6, 0.8), fill="#f3f3f3", hatch="vertical", hatch_mm=1.8,
                     symbol="octagon", letter="X", ink=False),
    "beyond": Style(stroke=BLACK, width_mm=0.5, dash_mm=(0.5, 0.5), fill="#ffffff", hatch="counter", hatch_mm=1.2, ink=False),
    "gate": Style(stroke=BLACK, width_mm=0.5, fill="#ffffff", symbol="square", letter="G", size_mm=4.0),
    "gate_locked": Style(stroke=BLACK, width_mm=0.9, fill="#ffffff", symbol="square", letter="L", size_mm=4.4),
    "yard": Style(stroke=BLACK, width_mm=0.5, fill="#ffffff", symbol="hexagon", letter="Y", size_mm=5.0),
    "excluded": Style(stroke=GREY, width_mm=0.18, symbol="saltire", size_mm=0.9, ink=False),
    "round_a": Style(stroke=BLUE, width_mm=0.7, ink=False),
    "round_b": Style(stroke=GREEN, width_mm=0.8, dash_mm=(2.4, 0.8), ink=False),
    "round_c": Style(stroke=BROWN, width_mm=0.8, dash_mm=(0.8, 0.8), ink=False),
    "round_d": Style(stroke=PURPLE, width_mm=0.8, dash_mm=(2.0, 0.6, 0.5, 0.6, 0.5, 0.6), ink=False),
    "round_stop": Style(stroke=BLACK, width_mm=0.45, fill="#ffffff", symbol="diamond", size_mm=2.6),
    "round_left": Style(stroke=BLACK, width_mm=0.5, symbol="saltire", size_mm=4.6),
    "nozzles_off": Style(stroke=BLACK, width_mm=0.8, ink=False),
    "site": Style(stroke=BLACK, width_mm=0.45, fill="#ffffff", symbol="ring", size_mm=2.2),
    "site_pinned": Style(stroke=BLACK, width_mm=0.45, fill="#ffffff", symbol="ring_square", size_mm=2.6),
    "site_override": Style(stroke=BLACK, width_mm=0.45, fill="#ffffff", symbol="triangle", size_mm=3.0),
}  # fmt: skip
"""By style key."""

OUTLINES: Final[Mapping[str, tuple[tuple[float, float], ...]]] = {
    "square": ((-1, -1), (1, -1), (1, 1), (-1, 1)),
    "ring_square": ((-1, -1), (1, -1), (1, 1), (-1, 1)),
    "diamond": ((0, -1), (1, 0), (0, 1), (-1, 0)),
    "triangle": ((-1, -0.75), (1, -0.75), (0, 1)),
    "hexagon": ((-1, 0), (-0.5, -0.87), (0.5, -0.87), (1, 0), (0.5, 0.87), (-0.5, 0.87)),
    "drop": ((0, 1), (-0.45, 0.25), (-0.62, -0.25), (-0.45, -0.72), (0, -0.95), (0.45, -0.72), (0.62, -0.25), (0.45, 0.25)),
    "house": ((-0.85, -0.85), (0.85, -0.85), (0.85, 0.25), (0, 1), (-0.85, 0.25)),
    "octagon": (
        (-0.41, -1),
        (0.41, -1),
        (1, -0.41),
        (1, 0.41),
        (0.41, 1),
        (-0.41, 1),
        (-1, 0.41),
        (-1, -0.41),
    ),
}
"""Closed outlines of the symbols in half-widths, y up; ring, dot and saltire are drawn by their own means."""
