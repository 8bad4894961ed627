"""Ways to fill one site with whole packages."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import islice
from typing import Final

PATTERN_LIMIT: Final = 4000
"""Ways kept for one number of cavities and one material; beyond it the result is no longer called proven."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Form:
    """Packages that are alike but for their lot: one material, one size."""

    kind: str
    cavities: int
    limit: int | None
    """Most that can be had; None = it can be bought."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pattern:
    """One way to fill a site."""

    counts: tuple[int, ...]
    """(f,) packages of each form."""
    cavities: int
    short: int
    """Cavities missing."""
    surplus: int
    mixed: bool
    """More than one material."""

    @property
    def pieces(self) -> int:
        """Packages to hang."""
        return sum(self.counts)


def patterns(need: int, forms: Sequence[Form], *, mixtures: bool = False, limit: int = PATTERN_LIMIT) -> tuple[tuple[Pattern, ...], bool]:
    """The ways worth looking at to fill `need` cavities, and whether these are all of them.

    Ways from which a package could be left out without going short are never better and are not listed. Where any form can
    be bought, one material always does, so neither mixtures nor short ways can be better. Short ways are listed only where
    nothing can be bought, and ways of several materials only with `mixtures`. Of more than `limit` ways those with the
    largest packages are kept, and such as keep the whole possible: one thing that can be bought alone, or nothing at all.
    """
    short = all(f.limit is not None for f in forms)
    if mixtures:
        found = [_ways(need, forms, list(range(len(forms))), short=short, limit=limit)]
    else:
        kinds = [[i for i, f in enumerate(forms) if f.kind == kind] for kind in dict.fromkeys(f.kind for f in forms)]
        found = [_ways(need, forms, own, short=short, limit=limit) for own in kinds]
    ways = tuple(way for each, _all in found for way in each)
    return tuple(dict.fromkeys(ways)), all(complete for _each, complete in found)


def _ways(
    need: int, forms: Sequence[Form], own: Sequence[int], *, short: bool, limit: int
) -> tuple[list[Pattern], bool]:
    order = sorted(own, key=lambda i: (-forms[i].cavities, i))
    walk = _walk(need, [(forms[i].cavities, forms[i].limit) for i in order], short)
    taken = list(islice(walk, limit + 1))
    complete = len(taken) <= limit
    if not complete:
        alone = [tuple(-(-need // forms[i].cavities) if i == j else 0 for j in order) for i in order if forms[i].limit is None]
        taken = [*taken[:limit], *alone, *([(0,) * len(order)] if short else [])]
    return [_pattern(need, forms, order, way) for way in taken], complete


def _walk(need: int, sizes: Sequence[tuple[int, int | None]], short: bool) -> Iterator[tuple[int, ...]]:
    """Counts by size, largest first: covers from which nothing can be left out, with `short` also all that fall short.

    Largest sizes come first, so a cover is minimal when its smallest package is needed, and that is the last one added.
    """

    # what all sizes from each on can hold, so that no branch is walked that cannot end in a cover
    rest = [float("inf") if limit is None else float(size * limit) for size, limit in sizes]
    holds = [sum(rest[at:]) for at in range(len(sizes) + 1)]

    def fill(at: int, missing: int, chosen: tuple[int, ...]) -> Iterator[tuple[int, ...]]:
        if missing > holds[at] and not short:
            return
        if missing <= 0 or at == len(sizes):
            if missing <= 0 or short:
                yield chosen + (0,) * (len(sizes) - at)
            return
        size, limit = sizes[at]
        most = -(-missing // size)
        most = most if limit is None else min(most, limit)
        for count in range(most, -1, -1):
            yield from fill(at + 1, missing - count * size, (*chosen, count))

    yield from fill(0, need, ())


def _pattern(need: int, forms: Sequence[Form], order: Sequence[int], way: Sequence[int]) -> Pattern:
    counts = [0] * len(forms)
    for i, count in zip(order, way, strict=True):
        counts[i] = count
    cavities = sum(c * f.cavities for c, f in zip(counts, forms, strict=True))
    kinds = {f.kind for c, f in zip(counts, forms, strict=True) if c}
    return Pattern(
        counts=tuple(counts), cavities=cavities, short=max(0, need - cavities), surplus=max(0, cavities - need),
        mixed=len(kinds) > 1,
    )  # fmt: skip
