"""Which packages may leave the yard, and to which blocks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from mudcap.lang import _
from mudcap.supply.params import PackageParams


@dataclass(frozen=True, slots=True, kw_only=True)
class Lot:
    """What the rules of cleanliness leave of one package."""

    index: int
    """Position among the packages of the options."""
    stock: int
    """That may be used; 0 where the lot stays in the yard."""
    only_block: str = ""
    """The one block it may go to; '' = any."""
    why_not: str = ""
    """Sentence where stock on hand stays in the yard."""


def usable_lots(packages: Sequence[PackageParams], day: date | None) -> tuple[Lot, ...]:
    """One lot a package, in their order.

    New goods go anywhere. A used lot goes out only cleaned, and cleaned by `day` (the day of need) where that is known. A
    lot in which disease was found goes, cleaned, nowhere but to the block it came from, so that the disease is not
    carried to another: common practice, no source; chalkbrood and mites build up in nests that are used again (Mader, Spivak
    & Evans 2010, SARE Handbook 11, ch. 6).
    """
    return tuple(_lot(i, package, day) for i, package in enumerate(packages))


def is_used(package: PackageParams) -> bool:
    """Whether a package has held nests before."""
    return bool(package.from_block) or package.disease


def _lot(index: int, package: PackageParams, day: date | None) -> Lot:
    why = ""
    if is_used(package):
        if package.sanitised is None:
            why = _("{name}: {n} on hand are used and have not been sanitised; they stay in the yard.")
        elif day is not None and package.sanitised > day:
            why = _("{name}: {n} on hand are to be sanitised only after the day they are needed; they stay in the yard.")
        elif package.disease and not package.from_block:
            why = _("{name}: disease was found in the lot and no block of origin is named, so its {n} stay in the yard.")
    if why:
        return Lot(index=index, stock=0, why_not=why.format(name=package.name, n=package.stock) if package.stock else "")
    return Lot(index=index, stock=package.stock, only_block=package.from_block if package.disease else "")
