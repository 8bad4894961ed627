"""A pen on a PDF page: millimetres from the lower left corner, our type, our styles."""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from functools import lru_cache
from pathlib import Path
from typing import Any, Final, Literal
from weakref import WeakKeyDictionary

import numpy as np
import reportlab
import reportlab.rl_config
from numpy.typing import ArrayLike, NDArray
from reportlab.lib.rl_accel import fp_str
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas
from shapely.geometry.base import BaseGeometry

from mudcap.draw.style import OUTLINES, Style

PT_PER_MM: Final = 72 / 25.4
Face = Literal["plain", "bold", "slant"]
Anchor = Literal["start", "middle", "end"]
_FILES: Final = {"plain": "Vera.ttf", "bold": "VeraBd.ttf", "slant": "VeraIt.ttf"}
"""Bitstream Vera: free to embed and to pass on (its licence stands beside the files in the reportlab package)."""
_UNKNOWN: Final = "?"
reportlab.rl_config.useA85 = 0  # binary streams: a sixth smaller, and sooner written


@lru_cache(maxsize=3)
def face_name(face: Face) -> str:
    """Name under which reportlab knows the face, registered on first use."""
    name = f"mudcap-{face}"
    pdfmetrics.registerFont(TTFont(name, str(Path(reportlab.__file__).parent / "fonts" / _FILES[face])))
    return name


@lru_cache(maxsize=1)
def _glyphs() -> frozenset[int]:
    """Code points that all three faces have."""
    faces = [pdfmetrics.getFont(face_name(face)).face.charToGlyph for face in _FILES]
    return frozenset.intersection(*(frozenset(f) for f in faces))


@lru_cache(maxsize=20_000)
def printable(text: str) -> str:
    """`text` in letters our type has: accents dropped where it must be, '?' for what is left."""
    if text.isascii() and text.isprintable():  # all of our faces have these
        return text
    known = _glyphs()
    out = []
    for sign in text:
        if ord(sign) in known and unicodedata.category(sign)[0] != "C":
            out.append(sign)
        elif unicodedata.category(sign)[0] in "CZ":
            out.append(" ")
        else:
            plain = "".join(c for c in unicodedata.normalize("NFKD", sign) if ord(c) in known)
            out.append(plain or _UNKNOWN)
    return "".join(out)


@lru_cache(maxsize=50_000)
def text_width_mm(text: str, size_pt: float, face: Face = "plain") -> float:
    """Width of a text as printed."""
    width: float = pdfmetrics.stringWidth(printable(text), face_name(face), size_pt)
    return width / PT_PER_MM


def fitted(text: str, width_mm: float, size_pt: float, face: Face = "plain") -> str:
    """`text`, shortened with … where it is wider."""
    text = printable(text)
    if text_width_mm(text, size_pt, face) <= width_mm:
        return text
    while text and text_width_mm(text + "…", size_pt, face) > width_mm:
        text = text[:-1]
    return text + "…"


def fitting_size(text: str, width_mm: float, sizes_pt: Sequence[float], face: Face = "plain") -> float:
    """The first of the sizes at which the text fits, else the last."""
    return next((s for s in sizes_pt if text_width_mm(text, s, face) <= width_mm), sizes_pt[-1])


def wrapped(text: str, width_mm: float, size_pt: float, face: Face = "plain") -> list[str]:
    """`text` in lines of at most that width; a word that is wider is cut."""
    lines: list[str] = []
    line = ""
    for word in filter(None, printable(text).split(" ")):  # a no-break space keeps words together
        trial = f"{line} {word}".strip()
        if text_width_mm(trial, size_pt, face) <= width_mm or not line:
            line = trial
        else:
            lines.append(line)
            line = word
        while text_width_mm(line, size_pt, face) > width_mm and len(line) > 1:
            cut = next(k for k in range(len(line), 0, -1) if k == 1 or text_width_mm(line[:k], size_pt, face) <= width_mm)
            lines.append(line[:cut])
            line = line[cut:]
    return [*lines, line] if line else lines


@lru_cache(maxsize=256)
def _colour(code: str) -> str:
    """Red, green and blue of '#rrggbb' as PDF writes them."""
    return " ".join(f"{int(code[k : k + 2], 16) / 255:.4g}" for k in (1, 3, 5))


@lru_cache(maxsize=256)
def _stroke(width_mm: float, colour: str, dash_mm: tuple[float, ...] = ()) -> str:
    """Colour, width and dashes of lines to come."""
    dashes = " ".join(f"{d * PT_PER_MM:.3f}" for d in dash_mm)
    return f"{_colour(colour)} RG {width_mm * PT_PER_MM:.3f} w [{dashes}] 0 d"


def _path(points: ArrayLike) -> str:
    """An open path through page points [mm]."""
    (x, y), *rest = (np.asarray(points, float)[:, :2] * PT_PER_MM).tolist()
    return f"{x:.3f} {y:.3f} m " + " ".join(f"{a:.3f} {b:.3f} l" for a, b in rest)


def _circle(x: float, y: float, radius: float) -> str:
    """A circle of four curves (the usual constant, within 0.03 % of round)."""
    k = 0.5522847498 * radius
    x0, x1, x2, x3, x4 = (f"{(x + a) * PT_PER_MM:.3f}" for a in (-radius, -k, 0, k, radius))
    y0, y1, y2, y3, y4 = (f"{(y + b) * PT_PER_MM:.3f}" for b in (-radius, -k, 0, k, radius))
    return (
        f"{x4} {y2} m {x4} {y3} {x3} {y4} {x2} {y4} c {x1} {y4} {x0} {y3} {x0} {y2} c "
        f"{x0} {y1} {x1} {y0} {x2} {y0} c {x3} {y0} {x4} {y1} {x4} {y2} c h"
    )


_STRINGS: Final[WeakKeyDictionary[Canvas, dict[tuple[str, float, Face], str]]] = WeakKeyDictionary()
"""Of each document the texts written so far, as operators: many come again on page after page."""


class Pen:
    """Draws on one canvas in millimetres.

    Paths are written as PDF operators at once (ISO 32000-2:2020, 8.5): reportlab's own take three times as long.
    """

    def __init__(self, canvas: Canvas) -> None:
        self.canvas: Any = canvas

    def line(self, points: ArrayLike, *, width_mm: float, colour: str = "#000000", dash_mm: Sequence[float] = ()) -> None:
        """An open line through page points."""
        self.canvas.addLiteral(f"{_stroke(width_mm, colour, tuple(dash_mm))} {_path(points)} S")

    def fill(self, points: ArrayLike, colour: str) -> None:
        """A filled polygon without outline."""
        self.canvas.addLiteral(f"{_colour(colour)} rg {_path(points)} h f")

    def rectangle(
        self, left: float, bottom: float, width: float, height: float, *, width_mm: float = 0.2, fill: str = "",
        colour: str = "#000000",
    ) -> None:  # fmt: skip
        """A rectangle; no outline where `width_mm` is 0."""
        mm = PT_PER_MM
        box = f"{left * mm:.3f} {bottom * mm:.3f} {width * mm:.3f} {height * mm:.3f} re"
        self._paint(box, _stroke(width_mm, colour) if width_mm > 0 else "", fill)

    def text(
        self, x: float, y: float, text: str, size_pt: float, *, face: Face = "plain", anchor: Anchor = "start",
        turn_deg: float = 0.0, colour: str = "#000000",
    ) -> None:  # fmt: skip
        """One line of text on the base line (x, y)."""
        text = printable(text)
        shift = {"start": 0.0, "middle": 0.5, "end": 1.0}[anchor] * text_width_mm(text, size_pt, face) * PT_PER_MM
        self.canvas.addLiteral(f"{_colour(colour)} rg")
        string = self._string(text, size_pt, face)
        if turn_deg == 0:
            self.canvas.addLiteral(f"BT 1 0 0 1 {fp_str(x * PT_PER_MM - shift, y * PT_PER_MM)} Tm {string}")
            return
        self.canvas.saveState()
        self.canvas.translate(x * PT_PER_MM, y * PT_PER_MM)
        self.canvas.rotate(turn_deg)
        self.canvas.addLiteral(f"BT 1 0 0 1 {fp_str(-shift, 0)} Tm {string}")
        self.canvas.restoreState()

    def _string(self, text: str, size_pt: float, face: Face) -> str:
        """The operators that show a text once its place is set."""
        strings, key = _STRINGS.setdefault(self.canvas, {}), (text, size_pt, face)
        found = strings.get(key)
        if found is None:
            self.canvas.setFont(face_name(face), size_pt)
            line = self.canvas.beginText(0, 0)
            line.textLine(text)
            found = strings[key] = line.getCode().partition(" Tm ")[2]
        return found

    @contextmanager
    def clipped(self, left: float, bottom: float, right: float, top: float) -> Iterator[None]:
        """Draw inside a rectangle only."""
        self.canvas.saveState()
        mm = PT_PER_MM
        box = f"{left * mm:.3f} {bottom * mm:.3f} {(right - left) * mm:.3f} {(top - bottom) * mm:.3f} re"
        self.canvas.addLiteral(f"{box} W n")
        yield
        self.canvas.restoreState()

    def area(self, geometry: BaseGeometry, style: Style, window: tuple[float, float, float, float]) -> None:
        """A polygon (page millimetres) filled, hatched within the window, and outlined."""
        parts = getattr(geometry, "geoms", (geometry,))
        path = " ".join(_path(ring.coords) + " h" for part in parts for ring in (part.exterior, *part.interiors))
        if style.fill:
            self.canvas.addLiteral(f"{_colour(style.fill)} rg {path} f*")
        if style.hatch:
            self._hatch(path, geometry.bounds, window, style)
        self.canvas.addLiteral(f"{_stroke(style.width_mm, style.stroke, style.dash_mm)} {path} S")

    def way(self, geometry: BaseGeometry, style: Style) -> None:
        """A line in its style, two lines where the style has a casing."""
        for part in getattr(geometry, "geoms", (geometry,)):
            if style.casing_mm:
                self.line(part.coords, width_mm=style.casing_mm + style.width_mm, colour=style.stroke)
                self.line(part.coords, width_mm=style.casing_mm - style.width_mm, colour=style.fill)
            else:
                self.line(part.coords, width_mm=style.width_mm, colour=style.stroke, dash_mm=style.dash_mm)

    def symbol(self, x: float, y: float, style: Style) -> None:
        """The style's symbol with its centre at (x, y)."""
        half = style.size_mm / 2
        stroke = _stroke(style.width_mm, style.stroke)
        if style.symbol in ("ring", "dot"):
            self._paint(_circle(x, y, half), stroke, style.fill)
        elif style.symbol == "saltire":
            self.crosses([(x, y)], style)
        elif style.symbol in OUTLINES:
            self._paint(_path([(x + a * half, y + b * half) for a, b in OUTLINES[style.symbol]]) + " h", stroke, style.fill)
        if style.symbol.startswith("ring"):
            self._paint(_circle(x, y, 0.16 * style.size_mm), "", style.stroke)
        if style.letter:
            size = 1.9 * style.size_mm
            drop = 0.365 * size / PT_PER_MM + (0.06 * style.size_mm if style.symbol == "triangle" else 0)
            self.text(x, y - drop, style.letter, size, face="bold", anchor="middle")

    def dots(self, points: ArrayLike, radius_mm: float, colour: str) -> None:
        """Many small dots in one path."""
        side = radius_mm * 1.8 * PT_PER_MM
        size = f" {side:.3f} {side:.3f} re"
        corners = np.asarray(points, float)[:, :2] * PT_PER_MM - side / 2
        path = "\n".join(f"{x:.3f} {y:.3f}{size}" for x, y in corners.tolist())
        self.canvas.addLiteral(f"{_colour(colour)} rg {path} f")

    def trees(self, points: ArrayLike, tenth: NDArray[np.bool_]) -> None:
        """A dot for each tree and a larger one for every tenth."""
        places = np.asarray(points, float)
        for pick, radius, colour in ((~tenth, 0.14, "#8f8f8f"), (tenth, 0.32, "#555555")):
            if pick.any():
                self.dots(places[pick], radius, colour)

    def crosses(self, points: ArrayLike, style: Style) -> None:
        """Many small diagonal crosses in one path."""
        half = style.size_mm / 2 * PT_PER_MM
        path = "\n".join(
            f"{x - half:.3f} {y - half:.3f} m {x + half:.3f} {y + half:.3f} l "
            f"{x - half:.3f} {y + half:.3f} m {x + half:.3f} {y - half:.3f} l"
            for x, y in (np.asarray(points, float)[:, :2] * PT_PER_MM).tolist()
        )
        self.canvas.addLiteral(f"{_stroke(style.width_mm, style.stroke)} {path} S")

    def _paint(self, path: str, stroke: str, fill: str) -> None:
        """A closed path outlined (where there is a stroke), filled (where there is a colour), or both."""
        how = {(True, True): "B", (True, False): "S", (False, True): "f"}[bool(stroke), bool(fill)]
        self.canvas.addLiteral(" ".join(filter(None, (stroke, fill and f"{_colour(fill)} rg", path, how))))

    def _hatch(
        self, path: str, bounds: tuple[float, ...], window: tuple[float, float, float, float], style: Style
    ) -> None:
        left, bottom = max(bounds[0], window[0]), max(bounds[1], window[1])
        right, top = min(bounds[2], window[2]), min(bounds[3], window[3])
        if right <= left or top <= bottom:
            return
        self.canvas.saveState()
        self.canvas.addLiteral(f"{path} W* n")
        if style.hatch == "dots":
            self.dots(_dot_grid(left, bottom, right, top, style.hatch_mm), 0.22, style.stroke)
        else:
            lines = _hatch_lines(style.hatch, left, bottom, right, top, style.hatch_mm)
            self.canvas.addLiteral(f"{_stroke(0.15, style.stroke)} {' '.join(map(_path, lines))} S")
        self.canvas.restoreState()


def _dot_grid(left: float, bottom: float, right: float, top: float, step: float) -> list[tuple[float, float]]:
    """Staggered dots on a grid tied to the page, so that neighbouring areas match."""
    rows = range(math.floor(bottom / step), math.ceil(top / step) + 1)
    columns = range(math.floor(left / step), math.ceil(right / step) + 1)
    return [((c + (r % 2) / 2) * step, r * step) for r in rows for c in columns]


def _hatch_lines(
    kind: str, left: float, bottom: float, right: float, top: float, step: float
) -> Iterator[list[tuple[float, float]]]:
    if kind == "horizontal":
        for k in range(math.floor(bottom / step), math.ceil(top / step) + 1):
            yield [(left, k * step), (right, k * step)]
    if kind == "vertical":
        for k in range(math.floor(left / step), math.ceil(right / step) + 1):
            yield [(k * step, bottom), (k * step, top)]
    slant = step * math.sqrt(2)
    if kind in ("diagonal", "cross"):
        for k in range(math.floor((bottom - right) / slant), math.ceil((top - left) / slant) + 1):
            yield [(left, left + k * slant), (right, right + k * slant)]
    if kind in ("counter", "cross"):
        for k in range(math.floor((bottom + left) / slant), math.ceil((top + right) / slant) + 1):
            yield [(left, k * slant - left), (right, k * slant - right)]
