"""Outlines: the valid polygon of a block as drawn, every repair said with its acres, or a refusal in words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from mudcap.files.drawn import Drawn, flat_parts
from mudcap.files.raw import CLOSE_SHARE
from mudcap.files.said import LOUD, repair_text, track_text, with_acres
from mudcap.geo.plane import LocalPlane
from mudcap.geo.rings import Repair, Repaired, repair, thin
from mudcap.geo.tracks import WalkedRing, walked_ring
from mudcap.geo.units import M_PER_FT, acres
from mudcap.lang import _, _n
from mudcap.orchard.model import Finding, FindingLevel

REFUSED_SHARE = 0.01
"""Repairs that change more of a block's area than this need a yes; the project's own rule."""
WOBBLE_M = 1.0
"""Tolerance to which a walked outline is thinned, below the noise of a handheld; common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Outline:
    """A block's valid polygon in the plane."""

    polygon: Polygon | MultiPolygon
    lonlat: BaseGeometry | None
    """The polygon as read, where nothing changed it; None where a repair did."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BlockTalk:
    """What is said about one block goes here."""

    drawn: Drawn
    name: str
    findings: list[Finding]

    def say(
        self, level: FindingLevel, code: str, text: str, change: float | None = None, shape: BaseGeometry | None = None
    ) -> None:
        """Add a finding; `text` goes behind the block's name."""
        whole = _("Block {name}: {text}").format(name=self.name, text=text)
        self.findings.append(
            Finding(
                level=level, code=code, layer=self.drawn.layer.title, feature=self.name, text=whole, acres_changed=change,
                geometry=shape,
            )
        )  # fmt: skip

    def repaired(self, code: str, text: str, change: float, shape: BaseGeometry | None = None) -> None:
        """Add a finding about a repair, loud where people should look at it."""
        self.say("warning" if code in LOUD else "note", code, text + ".", change, shape)


def make_outline(talk: BlockTalk, plane: LocalPlane, accept_repairs: bool) -> Outline | None:
    """The valid outline of a block as drawn; None, with a finding of level `error`, where there is none."""
    drawn = talk.drawn
    notes = [n for f in drawn.features for n in f.notes]
    if drawn.shape is None:
        why = next((n.text for n in notes if n.level == "error"), "") or _("it has no shape")
        talk.say("error", "no_geometry", _("{why}; left out. Draw it again.").format(why=why))
        return None
    shape = _areas(talk, plane)
    if shape is None:
        return None
    done = repair(shape)
    if drawn.layer.from_table and any(r.code in {"bow_tie", "self_crossing"} for r in done.repairs):
        text = _("its corners seem out of order, for the outline crosses itself. Sort the rows or add a column order.")
        talk.say("error", "corners_out_of_order", text)
        return None
    if done.polygon is None:
        why = _("its outline is a scribble") if done.refusal == "scribble" else _("its outline encloses no area")
        talk.say("error", done.refusal, _("{why}; left out. Draw it again.").format(why=why))
        return None
    polygon, repairs = done.polygon, list(done.repairs)
    if drawn.walked:
        polygon, thinned = thin(polygon, WOBBLE_M)
        repairs += [thinned] if thinned else []
    _say_repairs(talk, repairs, [n.code for n in notes], polygon)
    if not accept_repairs and _refused(talk, done, repairs, polygon):
        return None
    drawn_as_area = all(p.geom_type == "Polygon" for p in flat_parts(drawn.shape))
    return Outline(polygon=polygon, lonlat=drawn.shape if drawn_as_area and not repairs and not notes else None)


def _say_repairs(talk: BlockTalk, repairs: Sequence[Repair], notes: Sequence[str], polygon: BaseGeometry) -> None:
    for r in repairs:
        talk.repaired(r.code, with_acres(repair_text(r.code, r.count), r), acres(r.area_change_m2), polygon)
    for code in dict.fromkeys(c for c in notes if c in LOUD):
        talk.repaired(code, repair_text(code, 1), 0.0, polygon)


def _refused(talk: BlockTalk, done: Repaired, repairs: Sequence[Repair], polygon: BaseGeometry) -> bool:
    """Say it where the repairs change too much to be taken without a yes."""
    counted = [r.area_change_m2 for r in repairs if not r.exempt]
    share = sum(abs(c) for c in counted) / done.reference_m2 if done.reference_m2 > 0 else 0.0
    if share <= REFUSED_SHARE:
        return False
    change = acres(sum(counted))
    text = _(
        "repairs would change {share:.1f} % of its area ({change:+.3f} acres); left out. Draw it again, or take the "
        "repairs with --accept-repairs."
    ).format(share=100 * share, change=change)
    talk.say("error", "repair_too_large", text, change, polygon)
    return True


def _areas(talk: BlockTalk, plane: LocalPlane) -> BaseGeometry | None:
    """What of a drawn shape can be an area, in the plane, unrepaired; lines are closed where that can be meant."""
    parts = flat_parts(talk.drawn.shape)
    polygons = [plane.geometry_to_plane(p) for p in parts if p.geom_type == "Polygon"]
    lines = [p for p in parts if p.geom_type in ("LineString", "LinearRing")]
    if polygons:
        if len(polygons) < len(parts):
            beside = len(parts) - len(polygons)
            text = _n(
                "{count} point or line beside its area was left out.", "{count} points and lines beside its area were left out.", beside
            ).format(count=beside)
            talk.say("warning", "parts_left_out", text)
        return polygons[0] if len(polygons) == 1 else MultiPolygon(polygons)
    if not lines:
        text = _("only points, and a block needs an outline; left out. Draw it, or walk it as a track.")
        talk.say("error", "no_outline", text)
        return None
    return _closed(talk, [shapely.get_coordinates(plane.geometry_to_plane(p)) for p in lines])


def _closed(talk: BlockTalk, segments: list[NDArray[np.float64]]) -> BaseGeometry | None:
    """The area within lines: rings drawn as lines, a route's corners, or a walk."""
    drawn = talk.drawn
    if not drawn.walked and all(len(s) >= 4 and np.hypot(*(s[0] - s[-1])) < 0.01 for s in segments):
        if not drawn.layer.from_table:
            talk.repaired("closed_line", repair_text("closed_line", 1), 0.0)
        shapes = [Polygon(s) for s in segments]
        return shapes[0] if len(shapes) == 1 else MultiPolygon(shapes)
    if all(f.walked == "route" for f in drawn.features) and len(segments) == 1 and len(segments[0]) >= 3:
        segments = [np.vstack([segments[0], segments[0][:1]])]  # a route's points are corners set one by one
    walk = walked_ring(segments)
    length_m = sum(float(np.hypot(*np.diff(s, axis=0).T).sum()) for s in segments)
    if walk.ring is None or (not drawn.walked and walk.gap_m > CLOSE_SHARE * length_m):
        _say_open(talk, walk)
        return None
    for change in walk.changes:
        talk.repaired(change.code, track_text(change), acres(change.area_change_m2))
    if not drawn.walked:
        talk.repaired("closed_line", repair_text("closed_line", 1), 0.0)
    return Polygon(walk.ring)


def _say_open(talk: BlockTalk, walk: WalkedRing) -> None:
    why = _("too few positions for an outline")
    if walk.refusal != "too_short":
        why = _("the line is open by {metres:.0f} m ({feet:.0f} ft)").format(
            metres=walk.gap_m, feet=walk.gap_m / M_PER_FT
        )
    text = _("{why}; left out. Close it, or walk it again.")
    if not talk.drawn.walked:
        text = _(
            "{why}; left out. Close it if it is a block; if it is a road, a fence or the like, call it so, or give its layer a "
            "role in mudcap.toml."
        )
    talk.say("error", "open_line", text.format(why=why))
