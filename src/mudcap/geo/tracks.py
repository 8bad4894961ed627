"""A boundary walked with a GPS, made into one ring: joined, cleaned of wild points, closed, and every change named."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray

STEP_M: Final = 0.5
"""Points nearer than this to the one before are standing still (a handheld's noise is several metres)."""
NAME_GAP_M: Final = 15.0
"""Gaps from here on are named."""
OPEN_SHARE: Final = 0.25
"""A track whose ends lie farther apart than this share of its length is no boundary."""
JUMP_M: Final = 60.0
"""A point is wild only where it lies at least this far from both its neighbours."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TrackChange:
    """One thing that was done to a walked track, or seen in it."""

    code: str
    """wild_points, standing_still, joined_segments, gap, closing_gap, past_start"""
    count: int = 0
    length_m: float = 0.0
    area_change_m2: float = 0.0
    """Area within the track after less before, where points were dropped."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WalkedRing:
    """The closed ring of a walked boundary."""

    ring: NDArray[np.float64] | None
    """(n, 2) closed; None where the track encloses nothing (then `refusal` says why)."""
    changes: tuple[TrackChange, ...]
    refusal: str = ""
    """'', too_short, open"""
    gap_m: float = 0.0


def walked_ring(segments: Sequence[NDArray[np.float64]]) -> WalkedRing:
    """The ring that a track of one or more segments (n, 2) [m] encloses, in file order.

    >>> square = np.array([[0, 0], [100, 0], [100, 100], [0, 100], [0, 4]], float)
    >>> found = walked_ring([square])
    >>> len(found.ring), [c.code for c in found.changes]
    (6, [])
    """
    changes: list[TrackChange] = []
    cleaned = [_clean(s, changes) for s in segments]
    cleaned = [s for s in cleaned if len(s) >= 2]
    if not cleaned:
        return WalkedRing(ring=None, changes=_merged(changes), refusal="too_short")
    points = _joined(cleaned, changes)
    points = _until_start_again(points, changes)
    if len(points) < 3:
        return WalkedRing(ring=None, changes=_merged(changes), refusal="too_short")
    gap = float(np.hypot(*(points[-1] - points[0])))
    length = float(np.hypot(*np.diff(points, axis=0).T).sum())
    if gap > OPEN_SHARE * length:
        return WalkedRing(ring=None, changes=_merged(changes), refusal="open", gap_m=gap)
    if gap > NAME_GAP_M:
        changes.append(TrackChange(code="closing_gap", length_m=gap))
    ring = np.vstack([points, points[:1]]) if gap > 0.01 else np.vstack([points[:-1], points[:1]])
    return WalkedRing(ring=ring, changes=_merged(changes), gap_m=gap)


def is_boundary(segments: Sequence[NDArray[np.float64]]) -> bool:
    """True where a track comes back near its start, so that it may be a block."""
    return walked_ring(segments).ring is not None


def join_open(tracks: Sequence[Sequence[NDArray[np.float64]]]) -> list[list[int]]:
    """Groups of tracks that together make one boundary: open ones whose ends meet; each closed one by itself."""
    open_ones = [i for i, t in enumerate(tracks) if not is_boundary(t)]
    groups = [[i] for i in range(len(tracks)) if i not in open_ones]
    if len(open_ones) >= 2:
        together = [s for i in open_ones for s in tracks[i]]
        lengths = sum(float(np.hypot(*np.diff(s, axis=0).T).sum()) for s in together)
        joined = walked_ring(together)
        gaps = sum(c.length_m for c in joined.changes if c.code in {"gap", "closing_gap"})
        if joined.ring is not None and gaps < OPEN_SHARE * lengths:
            return sorted([*groups, open_ones])
    return sorted([*groups, *([i] for i in open_ones)])


def _clean(points: NDArray[np.float64], changes: list[TrackChange]) -> NDArray[np.float64]:
    tame, wild = _without_wild(points)
    if wild:
        changes.append(TrackChange(code="wild_points", count=wild, area_change_m2=_area(tame) - _area(points)))
    points = tame
    kept, still = [0], 0
    for i in range(1, len(points)):
        if np.hypot(*(points[i] - points[kept[-1]])) >= STEP_M or i == len(points) - 1:
            kept.append(i)
        else:
            still += 1
    if still > 10 and still > 0.1 * len(points):
        changes.append(TrackChange(code="standing_still", count=still))
    return points[kept]


def _area(points: NDArray[np.float64]) -> float:
    x, y = points[:, 0] - points[0, 0], points[:, 1] - points[0, 1]
    return abs(float(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1)))) / 2


def _without_wild(points: NDArray[np.float64]) -> tuple[NDArray[np.float64], int]:
    """Drop up to three points in a row that leap away and come back near to where they left."""
    wild, i = 0, 0
    keep = np.ones(len(points), bool)
    while i < len(points) - 1:
        for run in (1, 2, 3):
            j = i + run + 1
            if j >= len(points):
                break
            away = np.hypot(*(points[i + 1 : j] - points[i]).T).min()
            back = np.hypot(*(points[i + 1 : j] - points[j]).T).min()
            if min(away, back) > max(JUMP_M, 4 * _usual_step(points)) and np.hypot(*(points[j] - points[i])) < 0.4 * min(
                away, back
            ):
                keep[i + 1 : j] = False
                wild += run
                i = j - 1
                break
        i += 1
    return points[keep], wild


def _usual_step(points: NDArray[np.float64]) -> float:
    return float(np.median(np.hypot(*np.diff(points, axis=0).T)))


def _joined(segments: list[NDArray[np.float64]], changes: list[TrackChange]) -> NDArray[np.float64]:
    """Segments put end to end: in file order where that is shortest, else each next one by its nearer end."""
    if len(segments) == 1:
        return segments[0]
    in_order = _chain(segments, greedy=False)
    nearest = _chain(segments, greedy=True)
    points, gaps = nearest if sum(nearest[1]) < 0.5 * sum(in_order[1]) else in_order
    changes.append(TrackChange(code="joined_segments", count=len(segments), length_m=max(gaps)))
    for gap in gaps:
        if gap > NAME_GAP_M:
            changes.append(TrackChange(code="gap", count=1, length_m=gap))
    return points


def _chain(segments: list[NDArray[np.float64]], *, greedy: bool) -> tuple[NDArray[np.float64], list[float]]:
    left = list(segments)
    points = left.pop(0)
    gaps: list[float] = []
    while left:
        choices = [
            (float(np.hypot(*(points[-1] - (s[-1] if turned else s[0])))), k, turned)
            for k, s in enumerate(left if greedy else left[:1])
            for turned in ((False, True) if greedy else (False,))
        ]
        gap, k, turned = min(choices)
        following = left.pop(k)
        points = np.vstack([points, following[::-1] if turned else following])
        gaps.append(gap)
    gaps.append(float(np.hypot(*(points[-1] - points[0]))))
    return points, gaps


def _until_start_again(points: NDArray[np.float64], changes: list[TrackChange]) -> NDArray[np.float64]:
    """Cut the tail of a walk that ran past its start and on along its own first stretch.

    A whole second lap is left alone: the ring repair sees it and says so.
    """
    step = np.hypot(*np.diff(points, axis=0).T)
    along = np.r_[0.0, np.cumsum(step)]
    length = along[-1]
    to_start = np.hypot(*(points - points[0]).T)
    if to_start[-1] <= NAME_GAP_M or len(points) < 8:
        return points
    near = np.flatnonzero((to_start < NAME_GAP_M) & (along > 0.5 * length))
    if len(near) == 0:
        return points
    end = int(near[np.argmin(to_start[near])])
    tail, ring = points[end:], shapely.LineString(points[: end + 1])
    if shapely.distance(shapely.points(tail), ring).max() > NAME_GAP_M:
        return points
    changes.append(TrackChange(code="past_start", length_m=float(length - along[end])))
    return points[: end + 1]


def _merged(changes: Sequence[TrackChange]) -> tuple[TrackChange, ...]:
    out: dict[tuple[str, float], TrackChange] = {}
    for c in changes:
        key = (c.code, c.length_m if c.code == "gap" else 0.0)
        old = out.get(key)
        out[key] = c if old is None else TrackChange(
            code=c.code, count=old.count + c.count, length_m=max(old.length_m, c.length_m),
            area_change_m2=old.area_change_m2 + c.area_change_m2,
        )  # fmt: skip
    return tuple(out.values())
