"""Which mud sources serve: clean, clayey enough, wet while the bees nest, and why the others do not."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Final, Literal

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Point

from mudcap.orchard.model import Feature, MudSource, Orchard, Role, Season
from mudcap.orchard.texture import clay_share_of

SEASON: Final[Season] = ((2, 1), (5, 15))
"""First and last month and day of nesting where none is given: bloom of almond to apple (common practice, no source)."""
SOUTHERN_SEASON: Final[Season] = ((8, 1), (11, 15))
"""The same six months later, south of the equator (common practice, no source)."""

Reason = Literal["serves", "contaminated", "not clayey", "dry"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MudVerdict:
    """What is held of one mud source."""

    source: MudSource
    reason: Reason
    clay_share: float | None
    """Share of clay it was judged by; None where neither it nor the soil under it says."""

    @property
    def serves(self) -> bool:
        """True where bees may be sent there."""
        return self.reason == "serves"


def judge_mud(
    orchard: Orchard, clay_share_min: float, season: tuple[date, date] | None = None
) -> tuple[MudVerdict, ...]:
    """A verdict on each mud source; one of unknown texture is taken as clayey enough."""
    verdicts = []
    for source in orchard.mud_sources:
        clay = clay_share_of_source(source, orchard)
        reason: Reason = "serves"
        if not source.is_clean:
            reason = "contaminated"
        elif clay is not None and clay < clay_share_min:
            reason = "not clayey"
        elif source.wet and not falls_in_season(source.wet, season or nesting_season(orchard)):
            reason = "dry"
        verdicts.append(MudVerdict(source=source, reason=reason, clay_share=clay))
    return tuple(verdicts)


def serving_mud(
    orchard: Orchard, clay_share_min: float, season: tuple[date, date] | None = None
) -> tuple[MudSource, ...]:
    """The mud sources that serve."""
    return tuple(v.source for v in judge_mud(orchard, clay_share_min, season) if v.serves)


def clay_share_of_source(source: MudSource, orchard: Orchard) -> float | None:
    """Share of clay of a source: its own, its texture class's middle, or that of the soil polygon under it."""
    if source.clay_share is not None:
        return source.clay_share
    if source.texture:
        return clay_share_of(source.texture)
    return soil_clay_share(orchard, source.geometry.representative_point())


def soil_clay_share(orchard: Orchard, point: Point) -> float | None:
    """Share of clay of the soil polygon under a point, by its column or its texture class's middle; None where none says."""
    for soil in orchard.features:
        if soil.role == Role.SOIL and shapely.covers(soil.geometry, point):
            return _clay_said(soil)
    return None


def is_poor_in_clay(orchard: Orchard, xy: NDArray[np.float64], clay_share_min: float) -> NDArray[np.bool_]:
    """(n,) True where the soil polygon under a place (n, 2) is known to hold less clay than wanted."""
    poor, seen = np.zeros(len(xy), bool), np.zeros(len(xy), bool)
    for soil in orchard.features:
        if soil.role != Role.SOIL:
            continue
        shapely.prepare(soil.geometry)
        here = shapely.intersects_xy(soil.geometry, xy[:, 0], xy[:, 1]) & ~seen
        share = _clay_said(soil)
        poor |= here & (share is not None and share < clay_share_min)
        seen |= here
    return poor


def _clay_said(soil: Feature) -> float | None:
    said = {key.lower(): value for key, value in soil.attributes.items()}
    share = _share(said.get("clay", ""))
    return clay_share_of(said.get("texture", "")) if share is None else share


def _share(text: str) -> float | None:
    """Share of clay of a cell in percent (or a share up to 1)."""
    try:
        value = float(text.strip().rstrip("%"))
    except ValueError:
        return None
    if not 0 <= value <= 100:
        return None
    return value if value <= 1 and "%" not in text else value / 100


def nesting_season(orchard: Orchard) -> Season:
    """First and last month and day of nesting: those of the options, else what is usual on the orchard's side of the equator."""
    return orchard.season or (SOUTHERN_SEASON if orchard.is_south else SEASON)


def falls_in_season(spans: Sequence[tuple[date, date]], season: tuple[date, date] | Season) -> bool:
    """Whether some day of the spans (first, last) is one of the season: by date, or by day of the year where it has no year.

    Spans and seasons without a year may pass the turn of the year.
    """
    start, end = season
    if isinstance(start, date) and isinstance(end, date):
        return any(first <= end and last >= start for first, last in spans)
    return any(_meet((first, last), (start, end)) for first, last in spans)  # type: ignore[arg-type]


def _meet(span: tuple[date, date], season: Season) -> bool:
    first, last = span
    days = ((first.month, first.day), (last.month, last.day))
    return (last - first).days >= 365 or _lies_in(days[0], season) or _lies_in(season[0], days)


def _lies_in(day: tuple[int, int], span: Season) -> bool:
    first, last = span
    return first <= day <= last if first <= last else day >= first or day <= last
