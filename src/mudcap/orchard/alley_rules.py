"""What drawn lines say of the alleys along which they run: direction, who may drive there, and when not."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from mudcap.orchard.model import Alley, AlleyRule, Orchard


def apply_rules(alleys: tuple[Alley, ...], rules: Sequence[AlleyRule]) -> tuple[Alley, ...]:
    """The alleys with what the lines along them say; where two lines speak of one alley, the later one counts.

    Dates of closing add up. A line against the direction in which tree numbers grow makes a one-way alley go `down`.
    """
    if not rules:
        return alleys
    lines = np.array([rule.line for rule in rules], dtype=object)
    out = []
    for alley in alleys:
        for k in along(alley, lines):
            alley = _ruled(alley, rules[k])
        out.append(alley)
    return tuple(out)


def along(alley: Alley, lines: NDArray[Any]) -> list[int]:
    """Which of `lines` cover at least half of the alley, within half its width."""
    if not len(lines):
        return []
    strip = alley.line.buffer(alley.width_m / 2, cap_style="flat")
    return [
        k for k in np.flatnonzero(shapely.intersects(lines, strip)).tolist()
        if _covered_m(alley, shapely.intersection(lines[k], strip)) >= alley.line.length / 2
    ]  # fmt: skip


def rules_without_alley(orchard: Orchard) -> tuple[AlleyRule, ...]:
    """Lines that run along no alley, so that what they say goes for nothing."""
    lines = np.array([rule.line for rule in orchard.alley_rules], dtype=object)
    used = {k for block in orchard.blocks for alley in block.alleys for k in along(alley, lines)}
    return tuple(rule for k, rule in enumerate(orchard.alley_rules) if k not in used)


def _covered_m(alley: Alley, inside: Any) -> float:
    reach = shapely.line_locate_point(alley.line, shapely.points(shapely.get_coordinates(inside)))
    return float(np.ptp(reach)) if len(reach) else 0.0


def _ruled(alley: Alley, rule: AlleyRule) -> Alley:
    ends = shapely.points(np.array([alley.line.coords[0][:2], alley.line.coords[-1][:2]]))
    low, high = shapely.line_locate_point(rule.line, ends)
    one_way = alley.one_way
    if rule.one_way:
        one_way = "up" if high >= low else "down"
    return replace(
        alley, one_way=one_way, closed=(*alley.closed, *rule.closed),
        modes=alley.modes if rule.modes is None else rule.modes,
    )  # fmt: skip
