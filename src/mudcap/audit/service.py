"""Whether each tree is served from its nearest site, and whether the numbers that say how evenly are right."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np
from numpy.typing import NDArray

from mudcap.audit.claim import BlockClaim
from mudcap.audit.faults import Case
from mudcap.audit.ground import nearest
from mudcap.lang import _
from mudcap.orchard.model import Finding

NUMBER: Final = 1e-6
"""Relative difference that two ways of adding up may make."""
TIE_M: Final = 1e-6


def check_service(case: Case) -> Iterator[Finding]:
    """Faults of service: first tree by tree, then what each site and each block is said to serve.

    A tree of weight 0 wants nothing: it has its nearest site, but no part in the numbers of block and site.
    """
    trees, sites = case.claim.trees, len(case.claim.sites)
    served = trees.assigned >= 0
    served_m = np.full(len(trees.xy), np.nan)
    served_m[served] = np.hypot(*(trees.xy[served] - case.site_xy[trees.assigned[served]]).T)
    site_trees, site_farthest = np.zeros(sites), np.zeros(sites)
    np.add.at(site_trees, trees.assigned[served], trees.weight[served])
    wanting = served & (trees.weight > 0)
    np.maximum.at(site_farthest, trees.assigned[wanting], served_m[wanting])
    for index, block in enumerate(case.claim.blocks):
        own = case.of_block(index)
        yield from _block_trees(case, index, block, served_m)
        yield from _site_numbers(case, block, own, site_trees[own], site_farthest[own])
        members = np.flatnonzero((trees.block == index) & (trees.weight > 0))
        if own.size and members.size:
            least_m = nearest(trees.xy[members], case.site_xy[_may_serve(case, index)])
            yield from _coverage(case, block, least_m, trees.weight[members], site_trees[own])
            is_shared = _is_shared(case, index)
            yield from _levels(case, block, least_m, trees.weight[members], site_trees[own], is_shared)


def _may_serve(case: Case, index: int) -> NDArray[np.int64]:
    """Numbers of the sites that may serve a block's trees: its own, and those of blocks named as `served_by`."""
    block = case.claim.blocks[index]
    others = [k for k, b in enumerate(case.claim.blocks) if k == index or b.block_id in block.served_by]
    return np.flatnonzero(np.isin(case.site_block, others))


def _is_shared(case: Case, index: int) -> bool:
    """Whether a tree of the block is served by another block's site, or one of another block's by its."""
    trees = case.claim.trees
    served = trees.assigned >= 0
    server = case.site_block[trees.assigned[served]]
    return bool(((trees.block[served] == index) != (server == index)).any())


def _block_trees(
    case: Case, index: int, block: BlockClaim, served_m: NDArray[np.float64]
) -> Iterator[Finding]:
    trees = np.flatnonzero(case.claim.trees.block == index)
    if len(trees) != block.trees:
        text = _("Block {block}: {stated} trees are stated, there are {count}.").format(
            block=block.block_id, stated=block.trees, count=len(trees)
        )
        yield case.fault("tree_count", block.block_id, text)
    may = _may_serve(case, index)
    assigned = case.claim.trees.assigned[trees]
    nobody = ~np.isin(assigned, may)
    if may.size and nobody.any():
        text = _("Block {block}: {count} trees are served by no site of their block.").format(
            block=block.block_id, count=int(nobody.sum())
        )
        yield case.fault("unserved", block.block_id, text)
    extra = served_m[trees] - nearest(case.claim.trees.xy[trees], case.site_xy[may])
    far = ~nobody & (extra > TIE_M)
    if far.any():
        text = _(
            "Block {block}: {count} trees are not served by their nearest site; the worst goes {extra:.2f} m too far."
        ).format(block=block.block_id, count=int(far.sum()), extra=float(extra[far].max()))
        yield case.fault("not_nearest", block.block_id, text)


def _site_numbers(
    case: Case,
    block: BlockClaim,
    own: NDArray[np.int64],
    site_trees: NDArray[np.float64],
    site_farthest: NDArray[np.float64],
) -> Iterator[Finding]:
    """Trees and farthest tree of each site, from the claimed assignment."""
    sites = [case.claim.sites[k] for k in own]
    off = own[~_same(np.array([s.trees for s in sites]), site_trees)]
    if off.size:
        text = _("Block {block}: trees of {count} sites do not add up: {ids}.").format(
            block=block.block_id, count=off.size, ids=case.ids(off)
        )
        yield case.fault("site_trees", block.block_id, text, off)
    off = own[~_same(np.array([s.farthest_m for s in sites]), site_farthest)]
    if off.size:
        text = _("Block {block}: the farthest tree of {count} sites is not as stated: {ids}.").format(
            block=block.block_id, count=off.size, ids=case.ids(off)
        )
        yield case.fault("site_farthest", block.block_id, text, off)


def _coverage(
    case: Case,
    block: BlockClaim,
    least_m: NDArray[np.float64],
    weight: NDArray[np.float64],
    site_trees: NDArray[np.float64],
) -> Iterator[Finding]:
    stated = block.coverage
    if stated is None:
        text = _("Block {block}: it has sites but no coverage is stated.").format(block=block.block_id)
        yield case.fault("coverage", block.block_id, text)
        return
    for code, name, value, own in (
        ("mean", _("mean distance"), stated.mean_m, _mean(least_m, weight)),
        ("p95", _("95 % distance"), stated.p95_m, weighted_share(least_m, weight, 0.95)),
        ("farthest", _("farthest distance"), stated.farthest_m, float(least_m.max())),
        ("trees_min", _("least trees a site"), stated.trees_min, float(site_trees.min())),
        ("trees_mean", _("mean trees a site"), stated.trees_mean, float(site_trees.sum()) / len(site_trees)),
        ("trees_max", _("most trees a site"), stated.trees_max, float(site_trees.max())),
        ("trees_cv", _("spread of trees a site"), stated.trees_cv, _cv(site_trees)),
    ):
        if not _same(np.array(value), np.array(own)):
            yield case.fault(code, block.block_id, _differs(block.block_id, name, value, own))


def _levels(
    case: Case,
    block: BlockClaim,
    least_m: NDArray[np.float64],
    weight: NDArray[np.float64],
    site_trees: NDArray[np.float64],
    is_shared: bool,
) -> Iterator[Finding]:
    """Each level's value as computed here, and its certified bound not above it.

    Levels speak of a block by itself. Where trees are served across its border (`is_shared`), distances may only have
    become better, and the spread of trees a site is another.
    """
    computed = {
        "farthest": float(least_m.max()),
        "mean": _mean(least_m, weight),
        "mean_square": _mean(least_m**2, weight),
    }
    if not is_shared:
        computed["cv"] = _cv(site_trees)
    for level in block.levels:
        value = computed.get(level.name, level.value)
        is_right = _same(np.array(level.value), np.array(value)) or (is_shared and value < level.value)
        if not is_right:
            yield case.fault("level", block.block_id, _differs(block.block_id, level.name, level.value, value))
        top = level.value if is_shared else value
        if level.bound is not None and not level.bound <= top * (1 + NUMBER) + 1e-9:
            text = _("Block {block}: the bound {bound:.6g} of {name} is above its value {value:.6g}.").format(
                block=block.block_id, bound=level.bound, name=level.name, value=top
            )
            yield case.fault("bound", block.block_id, text)


def _differs(block: str, name: str, stated: float, computed: float) -> str:
    return _("Block {block}: {name} is stated as {stated:.6g}, computed again as {computed:.6g}.").format(
        block=block, name=name, stated=stated, computed=computed
    )


def _same(stated: NDArray[np.float64], computed: NDArray[np.float64]) -> NDArray[np.bool_]:
    return np.asarray(np.abs(stated - computed) <= NUMBER * np.maximum(1.0, np.abs(computed)), bool)


def _mean(values: NDArray[np.float64], weight: NDArray[np.float64]) -> float:
    return float((values * weight).sum()) / float(weight.sum())


def _cv(site_trees: NDArray[np.float64]) -> float:
    mean = float(site_trees.sum()) / len(site_trees)
    return float(np.sqrt(((site_trees - mean) ** 2).sum() / len(site_trees))) / mean if mean > 0 else 0.0


def weighted_share(values: NDArray[np.float64], weight: NDArray[np.float64], share: float) -> float:
    """The least value that at least `share` of the weight does not exceed.

    >>> weighted_share(np.arange(1.0, 101), np.ones(100), 0.95)
    95.0
    """
    order = np.argsort(values)
    heaped = np.cumsum(weight[order])
    return float(values[order[np.searchsorted(heaped, share * heaped[-1] * (1 - 1e-12))]])
