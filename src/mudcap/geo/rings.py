"""Rings made fit for use: what was drawn becomes a valid polygon, and every change is named with its area.

All coordinates are metres of a plane, except in `assemble`, which only asks which ring lies in which.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

SAME_POINT_M: Final = 0.001
"""Points nearer than this are one point; no survey of a field is finer."""
MAX_CROSSING_PAIRS: Final = 50_000
"""A ring whose edges meet more often than this is a scribble, and is not untangled."""
MAX_LAPS: Final = 8
"""A ring longer than this many times its hull is a scribble, too."""
DUST_SHARE: Final = 0.01
"""A loop beside the main area is dropped where it is at most this share of the whole."""
SAME_LAP_SHARE: Final = 0.2
"""Laps whose ground differs by more than this share were not walks round the same block."""
MIN_WIDTH_M: Final = 0.002
"""An outline narrower than this on average (twice its area by its length) encloses nothing."""
SIMPLIFY_ABOVE: Final = 5_000
"""Rings with more corners are thinned by `SIMPLIFY_M`."""
SIMPLIFY_M: Final = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Repair:
    """One change to a drawn ring."""

    code: str
    """duplicate_points, spike, bow_tie, double_lap, self_crossing, touching_ring, overlapping_holes, stray_hole, sliver, thinned"""
    count: int = 1
    area_change_m2: float = 0.0
    """Area after less area before, in the plane, against the outer boundary of the drawn ring."""
    exempt: bool = False
    """True where what was drawn is plain (a bow-tie, a second lap), so that no share of change refuses it."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Repaired:
    """A valid polygon and how it came about."""

    polygon: Polygon | MultiPolygon | None
    """None where no area could be made out; then `refusal` says why."""
    reference_m2: float
    """Area within the outer boundary of the drawn ring, holes taken out."""
    repairs: tuple[Repair, ...] = ()
    refusal: str = ""
    """'', no_area, scribble."""


def assemble(rings: Sequence[NDArray[np.float64]]) -> tuple[Polygon | MultiPolygon, tuple[str, ...]]:
    """Polygon of a flat list of rings (a shapefile's), and codes of what was odd: unclosed_ring, short_ring,
    stray_hole, ring_direction.

    Outer rings run clockwise (ESRI 1998); a ring that runs the wrong way round is judged by what it lies in. Raises
    ``ValueError`` where no ring has three corners.

    >>> square = np.array([[0, 0], [0, 1], [1, 1], [1, 0], [0, 0]], float)
    >>> assemble([square])[0].area
    1.0
    """
    notes: list[str] = []
    kept: list[NDArray[np.float64]] = []
    for ring in rings:
        if len(np.unique(ring, axis=0)) < 3:
            notes.append("short_ring")
            continue
        if (ring[0] != ring[-1]).any():
            notes.append("unclosed_ring")
            ring = np.vstack([ring, ring[:1]])
        kept.append(ring)
    if not kept:
        raise ValueError("no ring with three corners")
    polygons = [Polygon(r) for r in kept]
    if len(kept) == 1:
        return polygons[0], tuple(dict.fromkeys(notes))
    return _nested(kept, polygons, notes)


def _nested(
    rings: list[NDArray[np.float64]], polygons: list[Polygon], notes: list[str]
) -> tuple[Polygon | MultiPolygon, tuple[str, ...]]:
    clockwise = [_signed_area(r) < 0 for r in rings]
    area = [abs(_signed_area(r)) for r in rings]
    inside = [_first_container(i, polygons, area) for i in range(len(rings))]
    depth = [0] * len(rings)
    for i in sorted(range(len(rings)), key=lambda k: -area[k]):
        depth[i] = depth[inside[i]] + 1 if inside[i] >= 0 else 0
    holes: dict[int, list[NDArray[np.float64]]] = {i: [] for i, d in enumerate(depth) if d % 2 == 0}
    some_outer = any(clockwise)
    for i, d in enumerate(depth):
        if d % 2:
            holes[inside[i]].append(rings[i])
            if clockwise[i] and some_outer:
                notes.append("ring_direction")
        elif not clockwise[i] and some_outer and any(clockwise[k] for k in holes if k != i):
            notes.append("stray_hole")
            del holes[i]
        elif not clockwise[i]:
            notes.append("ring_direction")
    parts = [Polygon(rings[i], hs) for i, hs in holes.items()]
    return (parts[0] if len(parts) == 1 else MultiPolygon(parts)), tuple(dict.fromkeys(notes))


def _first_container(i: int, polygons: list[Polygon], area: list[float]) -> int:
    """Smallest ring that holds ring i, or -1; a ring counts as held where most of its corners lie inside."""
    corners = shapely.points(shapely.get_coordinates(polygons[i])[:-1])
    best, best_area = -1, np.inf
    for k, other in enumerate(polygons):
        if k == i or area[k] >= best_area or (area[k], -k) <= (area[i], -i):
            continue
        if not shapely.box(*other.bounds).intersects(polygons[i].envelope):
            continue
        if shapely.intersects(other if other.is_valid else shapely.make_valid(other), corners).mean() > 0.5:
            best, best_area = k, area[k]
    return best


def _signed_area(ring: NDArray[np.float64]) -> float:
    x, y = ring[:, 0] - ring[0, 0], ring[:, 1] - ring[0, 1]
    return float(np.dot(x[:-1], y[1:]) - np.dot(x[1:], y[:-1])) / 2


def repair(geometry: BaseGeometry) -> Repaired:
    """The valid polygon that was meant by a polygon as drawn, holes, parts and all, with every change named.

    Shells and holes are repaired ring by ring; holes are then cut out, wherever they lie; parts that overlap or touch
    are joined, so that no ground counts twice.
    """
    if geometry.geom_type == "Polygon" and _is_sound(geometry):
        return Repaired(polygon=geometry, reference_m2=geometry.area)
    parts = [p for p in shapely.get_parts(geometry) if p.geom_type == "Polygon" and not p.is_empty]
    shapes: list[BaseGeometry] = []
    repairs: list[Repair] = []
    reference = 0.0
    for part in parts:
        done = _repair_part(part)
        if done.refusal == "scribble":
            return done
        repairs += done.repairs
        reference += done.reference_m2
        if done.polygon is not None:
            shapes.append(done.polygon)
    if not shapes:
        return Repaired(polygon=None, reference_m2=reference, repairs=tuple(repairs), refusal="no_area")
    whole = shapes[0] if len(shapes) == 1 else shapely.union_all(shapes)
    overlap = sum(s.area for s in shapes) - whole.area
    if overlap > max(1.0, 1e-6 * whole.area):
        repairs.append(Repair(code="overlapping_parts", area_change_m2=-overlap, exempt=True))
        reference -= overlap
    whole, more = _without_dust(whole)
    return Repaired(polygon=whole, reference_m2=reference, repairs=_merged([*repairs, *more]))


def _is_sound(polygon: Polygon) -> bool:
    """True for the usual case, a valid polygon of few corners, none doubled, and no hole: nothing is to be done."""
    count = shapely.get_num_coordinates(polygon)
    if len(polygon.interiors) or count > SIMPLIFY_ABOVE or not polygon.is_valid or not _has_width(polygon):
        return False
    return bool(shapely.get_num_coordinates(shapely.remove_repeated_points(polygon, SAME_POINT_M)) == count)


def _has_width(polygon: Polygon) -> bool:
    return bool(2 * polygon.area > MIN_WIDTH_M * polygon.length)


def _repair_part(part: Polygon) -> Repaired:
    shell = repair_ring(shapely.get_coordinates(part.exterior))
    if shell.polygon is None or not part.interiors:
        return shell
    repairs = list(shell.repairs)
    holes: list[BaseGeometry] = []
    for interior in part.interiors:
        hole = repair_ring(shapely.get_coordinates(interior))
        repairs += [r for r in hole.repairs if r.code != "no_area"]
        if hole.polygon is None:
            repairs.append(Repair(code="sliver", area_change_m2=0.0))
            continue
        if not shell.polygon.intersects(hole.polygon):
            repairs.append(Repair(code="stray_hole", exempt=True))
            continue
        holes.append(hole.polygon)
    if not holes:
        return Repaired(polygon=shell.polygon, reference_m2=shell.reference_m2, repairs=tuple(repairs))
    all_holes = shapely.union_all(holes)
    double = sum(h.area for h in holes) - all_holes.area
    if double > max(0.5, 1e-6 * shell.reference_m2):
        repairs.append(Repair(code="overlapping_holes", area_change_m2=double, exempt=True))
    if not shapely.covers(shell.polygon.buffer(0.01), all_holes):
        repairs.append(Repair(code="hole_over_edge", exempt=True))
    polygon = _areal(shell.polygon.difference(all_holes))
    cut = all_holes.intersection(shell.polygon).area
    reference = max(shell.reference_m2 - cut, 0.0)
    if polygon is None or polygon.area <= 1e-6:
        return Repaired(polygon=None, reference_m2=reference, repairs=tuple(repairs), refusal="no_area")
    return Repaired(polygon=polygon, reference_m2=reference, repairs=tuple(repairs))


def repair_ring(coords: NDArray[np.float64]) -> Repaired:
    """The polygon within one closed ring (n, 2) [m] as drawn.

    Doubled points and there-and-back spikes go without a change of area. Of a ring that crosses itself, what it winds
    around counts as inside (so a second lap or an inner cut to a hole is read as meant); a ring walked round twice is
    cut to its first lap; loops of at most 1 % beside the main area are dropped.
    """
    points, repairs = _clean_points(coords)
    if len(points) < 4:
        return Repaired(polygon=None, reference_m2=0.0, repairs=tuple(repairs), refusal="no_area")
    if len(points) > SIMPLIFY_ABOVE:
        points, thinned = _thinned(points)
        repairs += thinned
    polygon = Polygon(points)
    if polygon.is_valid:
        if not _has_width(polygon):
            return Repaired(polygon=None, reference_m2=0.0, repairs=tuple(repairs), refusal="no_area")
        return Repaired(polygon=shapely.normalize(polygon), reference_m2=polygon.area, repairs=tuple(repairs))
    return _untangle(points, repairs)


def thin(polygon: Polygon | MultiPolygon, tolerance_m: float) -> tuple[Polygon | MultiPolygon, Repair | None]:
    """The polygon with the wobble of a handheld taken out to `tolerance_m`, and the repair if corners went."""
    simple = _areal(shapely.simplify(polygon, tolerance_m))
    before, after = shapely.get_num_coordinates(polygon), shapely.get_num_coordinates(simple) if simple else 0
    if simple is None or not simple.is_valid or after >= before:
        return polygon, None
    return simple, Repair(code="thinned", count=int(before - after), area_change_m2=simple.area - polygon.area)


def _clean_points(coords: NDArray[np.float64]) -> tuple[NDArray[np.float64], list[Repair]]:
    """A closed ring without doubled points and exact spikes, and the repairs this took."""
    points = coords if (coords[0] == coords[-1]).all() else np.vstack([coords, coords[:1]])
    step = np.hypot(*np.diff(points, axis=0).T)
    keep = np.r_[True, step > SAME_POINT_M]
    keep[-1] = True
    doubled = int((~keep).sum())
    open_ring = points[keep][:-1]
    if len(open_ring) > 1 and np.hypot(*(open_ring[0] - open_ring[-1])) <= SAME_POINT_M:
        open_ring, doubled = open_ring[:-1], doubled + 1
    open_ring, spikes = _without_spikes(open_ring)
    repairs = [Repair(code="duplicate_points", count=doubled)] if doubled else []
    if spikes:
        repairs.append(Repair(code="spike", count=spikes))
    return np.vstack([open_ring, open_ring[:1]]) if len(open_ring) else open_ring, repairs


def _without_spikes(points: NDArray[np.float64]) -> tuple[NDArray[np.float64], int]:
    """Drop corners from which the ring goes straight back the way it came (deviation below `SAME_POINT_M`)."""
    spikes = 0
    while len(points) >= 3:
        before, after = np.roll(points, 1, axis=0), np.roll(points, -1, axis=0)
        a, b = before - points, after - points
        la, lb = np.hypot(*a.T), np.hypot(*b.T)
        cross = np.abs(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]) / np.maximum(np.maximum(la, lb), 1e-12)
        back = ((a * b).sum(axis=1) > 0) & (cross < SAME_POINT_M)
        if not back.any():
            break
        drop = np.flatnonzero(back)[:1] if len(points) < 64 else _apart(np.flatnonzero(back))
        points = np.delete(points, drop, axis=0)
        spikes += len(drop)
        step = np.hypot(*(np.roll(points, -1, axis=0) - points).T)
        points = points[step > SAME_POINT_M] if (step <= SAME_POINT_M).any() else points
    return points, spikes


def _apart(index: NDArray[np.int64]) -> NDArray[np.int64]:
    return index[np.r_[True, np.diff(index) > 2]]


def _thinned(points: NDArray[np.float64]) -> tuple[NDArray[np.float64], list[Repair]]:
    simple = shapely.get_coordinates(shapely.simplify(shapely.LineString(points), SIMPLIFY_M, preserve_topology=False))
    if len(simple) < 4 or len(simple) == len(points):
        return points, []
    change = abs(_signed_area(simple)) - abs(_signed_area(points))
    return simple, [Repair(code="thinned", count=len(points) - len(simple), area_change_m2=change)]


def _untangle(points: NDArray[np.float64], repairs: list[Repair]) -> Repaired:
    if _too_tangled(points):
        return Repaired(polygon=None, reference_m2=0.0, repairs=tuple(repairs), refusal="scribble")
    noded = shapely.union_all([shapely.LineString(points)])
    faces = [f for f in shapely.get_parts(shapely.polygonize([noded])) if f.area > 1e-6]
    if not faces:
        return Repaired(polygon=None, reference_m2=0.0, repairs=tuple(repairs), refusal="no_area")
    outer = _filled(shapely.union_all(faces))
    winding = _windings(points, faces)
    area = np.array([f.area for f in faces])
    if area[np.abs(winding) >= 2].sum() > 0.5 * outer.area:
        lap = _one_lap(points, faces, winding, outer, repairs)
        if lap is not None:
            return lap
    inside = _areal(shapely.union_all([f for f, w in zip(faces, winding, strict=True) if w]))
    if inside is None:
        return Repaired(polygon=None, reference_m2=outer.area, repairs=tuple(repairs), refusal="no_area")
    kinds = set(winding[winding != 0].tolist())
    if len(kinds) == 1 and abs(kinds.pop()) == 1:
        return Repaired(
            polygon=inside, reference_m2=inside.area, repairs=(*repairs, Repair(code="touching_ring", exempt=True))
        )
    against = min(area[winding > 0].sum(), area[winding < 0].sum())
    if against > DUST_SHARE * outer.area:
        found = Repair(code="bow_tie", area_change_m2=inside.area - outer.area, exempt=True)
        return Repaired(polygon=inside, reference_m2=outer.area, repairs=(*repairs, found))
    kept, _more = _without_dust(inside)
    crossing = Repair(code="self_crossing", count=len(faces) - 1, area_change_m2=kept.area - outer.area)
    return Repaired(polygon=kept, reference_m2=outer.area, repairs=(*repairs, crossing))


def _one_lap(
    points: NDArray[np.float64],
    faces: list[Polygon],
    winding: NDArray[np.int64],
    outer: BaseGeometry,
    repairs: list[Repair],
) -> Repaired | None:
    """Cut a ring that runs round more than once to its first lap; None where the laps do not run round the same ground."""
    deep = max((f for f, w in zip(faces, winding, strict=True) if abs(w) >= 2), key=lambda f: f.area)
    centre = deep.representative_point()
    angle = np.unwrap(np.arctan2(points[:, 1] - centre.y, points[:, 0] - centre.x))
    turned = np.abs(angle - angle[0])
    end = int(np.argmax(turned >= 2 * np.pi - 1e-9)) or len(points) - 1
    lap = np.vstack([points[: end + 1], points[:1]])
    inner = repair_ring(lap)
    shape = _areal(inner.polygon.intersection(outer)) if inner.polygon is not None else None
    if shape is None or shape.symmetric_difference(outer).area > SAME_LAP_SHARE * outer.area:
        return None
    laps = int(np.abs(winding).max())
    found = Repair(code="double_lap", count=laps, area_change_m2=shape.area - outer.area, exempt=True)
    return Repaired(polygon=shape, reference_m2=outer.area, repairs=(*repairs, found, *inner.repairs))


def _windings(points: NDArray[np.float64], faces: list[Polygon]) -> NDArray[np.int64]:
    """How often the closed ring winds around each face (counter-clockwise positive)."""
    out = np.zeros(len(faces), np.int64)
    a, b = points[:-1], points[1:]
    for i, face in enumerate(faces):
        p = face.representative_point()
        up = (a[:, 1] <= p.y) & (b[:, 1] > p.y)
        down = (a[:, 1] > p.y) & (b[:, 1] <= p.y)
        side = (b[:, 0] - a[:, 0]) * (p.y - a[:, 1]) - (p.x - a[:, 0]) * (b[:, 1] - a[:, 1])
        out[i] = int((up & (side > 0)).sum()) - int((down & (side < 0)).sum())
    return out


def _too_tangled(points: NDArray[np.float64]) -> bool:
    """True where a ring is far longer than its hull, or its edges meet too often, to mean a boundary."""
    line = shapely.LineString(points)
    if line.length > MAX_LAPS * line.convex_hull.length:
        return True
    segments = shapely.linestrings(np.stack([points[:-1], points[1:]], axis=1))
    tree = shapely.STRtree(segments)
    seen = 0
    for start in range(0, len(segments), 50):
        seen += tree.query(segments[start : start + 50]).shape[1]
        if seen > MAX_CROSSING_PAIRS + 6 * len(segments):
            return True
    return False


def _without_dust(geometry: BaseGeometry) -> tuple[Polygon | MultiPolygon, tuple[Repair, ...]]:
    """Drop slivers: parts and holes of at most 25 m² that are also at most 1 % of the whole."""
    total = geometry.area
    limit = min(25.0, DUST_SHARE * total)
    parts: list[Polygon] = []
    change, count = 0.0, 0
    for part in shapely.get_parts(geometry):
        if part.geom_type != "Polygon":
            continue
        if part.area <= limit:
            change, count = change - part.area, count + 1
            continue
        holes = [h for h in part.interiors if Polygon(h).area > min(1.0, limit)]
        if len(holes) < len(part.interiors):
            full = Polygon(part.exterior, holes)
            change, count = change + full.area - part.area, count + len(part.interiors) - len(holes)
            part = full
        parts.append(part)
    if not parts:
        return geometry, ()
    out = parts[0] if len(parts) == 1 else MultiPolygon(parts)
    return out, (Repair(code="sliver", count=count, area_change_m2=change),) if count else ()


def _filled(geometry: BaseGeometry) -> BaseGeometry:
    return shapely.union_all([Polygon(p.exterior) for p in shapely.get_parts(geometry) if p.geom_type == "Polygon"])


def _areal(geometry: BaseGeometry) -> Polygon | MultiPolygon | None:
    parts = [p for p in shapely.get_parts(geometry) if p.geom_type == "Polygon" and p.area > 1e-6]
    if not parts:
        return None
    return parts[0] if len(parts) == 1 else MultiPolygon(parts)


def _merged(repairs: Sequence[Repair]) -> tuple[Repair, ...]:
    """One entry for each code, counts and areas added up."""
    out: dict[str, Repair] = {}
    for r in repairs:
        old = out.get(r.code)
        out[r.code] = r if old is None else Repair(
            code=r.code, count=old.count + r.count, area_change_m2=old.area_change_m2 + r.area_change_m2,
            exempt=old.exempt and r.exempt,
        )  # fmt: skip
    return tuple(out.values())
