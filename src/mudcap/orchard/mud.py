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

from mudcap.orchard.model import Feature, MudSource, Orchard, Role
from mudcap.orchard.texture import clay_share_of

SEASON: Final = ((2, 1), (5, 15))
"""First and last month and day of nesting where none is given: bloom of almond to apple (common practice, no source)."""

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
        elif not _wet_in(source, season):
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


def _wet_in(source: MudSource, season: tuple[date, date] | None) -> bool:
    return not source.wet or falls_in_season(source.wet, season)


def falls_in_season(spans: Sequence[tuple[date, date]], season: tuple[date, date] | None) -> bool:
    """Whether some day of the spans (first, last) is one of the season; without a season by day of the year (`SEASON`)."""
    if season is not None:
        return any(first <= season[1] and last >= season[0] for first, last in spans)
    start, end = SEASON
    for first, last in spans:
        if (last - first).days >= 365:
            return True
        a, b = (first.month, first.day), (last.month, last.day)
        wraps = a > b
        if (not wraps and a <= end and b >= start) or (wraps and (a <= end or b >= start)):
            return True
    return False
