"""Sites packed into vehicle loads: in a given order with the fewest loads, or in any order with the fewest."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from mudcap.supply.model import Load

FUZZ: Final = 1e-9
"""Sums of litres and kilograms may pass a limit by this share, so that rounding never makes a load of its own."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Capacity:
    """What the vehicle takes at once; None = no limit. The vehicle's own plate and a safe, tied-down load come first."""

    shelters: float | None = None
    litres: float | None = None
    kg: float | None = None

    @property
    def is_given(self) -> bool:
        """Whether any limit is named."""
        return not (self.shelters is None and self.litres is None and self.kg is None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Goods:
    """What goes to one site."""

    shelters: int
    litres: float = 0.0
    kg: float = 0.0


def loads(order: Sequence[int], goods: Sequence[Goods], capacity: Capacity) -> tuple[Load, ...]:
    """The fewest loads that carry the sites of `order` (indices into `goods`) one stretch of it after the other.

    Each load takes on sites until the next one does not fit. For a fixed order no other cut into stretches needs fewer
    loads: the first load of any cut ends no later than this one, so what remains is never more. A site that alone is more
    than the vehicle takes is a load of its own, marked `over`.
    """
    out: list[Load] = []
    stretch: list[int] = []
    for site in order:
        if stretch and not _fits([goods[i] for i in (*stretch, site)], capacity):
            out.append(_load(len(out) + 1, stretch, goods, capacity))
            stretch = []
        stretch.append(site)
    if stretch:
        out.append(_load(len(out) + 1, stretch, goods, capacity))
    return tuple(out)


def places(found: Sequence[Load], count: int) -> tuple[list[int], list[int]]:
    """For each of `count` sites its load and its place in it: 1 goes on first and comes off last; 0 where none carries it."""
    number, place = [0] * count, [0] * count
    for load in found:
        for on, site in enumerate(reversed(load.sites), start=1):
            number[site], place[site] = load.number, on
    return number, place


def _load(number: int, sites: Sequence[int], goods: Sequence[Goods], capacity: Capacity) -> Load:
    own = [goods[i] for i in sites]
    return Load(
        number=number, sites=tuple(sites), shelters=sum(g.shelters for g in own), litres=sum(g.litres for g in own),
        kg=sum(g.kg for g in own), over=not _fits(own, capacity),
    )  # fmt: skip


def _fits(own: Sequence[Goods], capacity: Capacity) -> bool:
    return all(
        limit is None or sum(values) <= limit * (1 + FUZZ)
        for limit, values in (
            (capacity.shelters, [g.shelters for g in own]),
            (capacity.litres, [g.litres for g in own]),
            (capacity.kg, [g.kg for g in own]),
        )
    )
