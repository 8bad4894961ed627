"""Which sites to see this round: a spatially balanced sample that comes round to every site, and what it can prove.

References
----------
Stevens & Olsen 2004, J. Am. Stat. Assoc. 99:262–278 (generalised random-tessellation stratified samples: a line through a
hierarchically randomised quadtree, sampled systematically); Stevens & Olsen 2003, Environmetrics 14:593–610 (variance from
local means); Horvitz & Thompson 1952, J. Am. Stat. Assoc. 47:663–685; Wilson 1927, J. Am. Stat. Assoc. 22:209–212;
Korn & Graubard 1998, Survey Methodology 24:193–201 (effective sample size). All cited from memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial import cKDTree
from scipy.special import ndtri, stdtrit

_NEIGHBOURS = 4
"""Sites of a local mean, the site itself included (Stevens & Olsen 2003)."""
_NORMAL_RANGE = (0.2, 0.8)
_NORMAL_COUNT = 40
"""Where the plain interval was tested by simulation; outside it the Wilson-type interval is given."""
_BALANCE_ROUNDS = 12


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sample:
    """The sites of one round, with the chance each had to be in it."""

    sites: NDArray[np.int64]
    """(s,) ascending."""
    probability: NDArray[np.float64]
    """(s,) inclusion probability; 1 for flagged sites."""
    round_number: int
    num_rounds: int
    """After so many rounds every site has been seen."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ShareEstimate:
    """The share of cavities that are occupied (or capped), from a sample."""

    share: float
    low: float
    high: float
    standard_error: float
    count: int
    """Sites in the sample."""
    interval: Literal["normal", "wilson"]
    """`wilson`: the sample is small or the share near 0 or 1, so a Wilson-type interval with the effective sample size is given."""


def draw_sample(
    xy: ArrayLike,
    block: ArrayLike,
    count: int,
    *,
    seed: int,
    round_number: int = 0,
    flagged: Sequence[int] = (),
) -> Sample:
    """Return the sites to see in a round: ``count`` spread evenly over the ground, block by block, and all flagged ones.

    ``xy`` is (n, 2) in metres, ``block`` (n,) says which block each site is in. Every site of a block has the same chance.
    Rounds 0, 1, … of the same seed and count take turns: after `num_rounds` of them every site has been seen, then a new
    order begins. Raises ``ValueError`` unless 1 ≤ count ≤ n.
    """
    points, stratum = np.asarray(xy, float), np.asarray(block)
    n = len(points)
    if not 1 <= count <= n:
        raise ValueError(f"count: between 1 and {n} sites can be sampled, not {count}.")
    if round_number < 0:
        raise ValueError("round_number: rounds count from 0.")
    names, member = np.unique(stratum, return_inverse=True)
    shares = _allocate(np.bincount(member), count)
    num_rounds = max(int(np.ceil(size / k)) for size, k in zip(np.bincount(member), shares, strict=True))
    cycle, turn = divmod(round_number, num_rounds)
    chosen, chance = [], np.ones(n)
    for b in range(len(names)):
        mine = np.flatnonzero(member == b)
        rng = np.random.default_rng([seed, cycle, b])
        line = mine[_quadtree_order(points[mine], rng)]
        chosen.append(line[_systematic(len(mine), int(shares[b]), turn, num_rounds, rng)])
        chance[mine] = shares[b] / len(mine)
    flags = np.unique(np.asarray(flagged, np.int64))
    if flags.size and (flags[0] < 0 or flags[-1] >= n):
        raise ValueError(f"flagged: sites run from 0 to {n - 1}.")
    chance[flags] = 1.0
    sites = np.union1d(np.concatenate(chosen), flags).astype(np.int64)
    return Sample(sites=sites, probability=chance[sites], round_number=round_number, num_rounds=num_rounds)


def estimate_share(
    occupied: ArrayLike,
    cavities: ArrayLike,
    xy: ArrayLike,
    probability: ArrayLike,
    *,
    confidence: float = 0.95,
) -> ShareEstimate:
    """Return the share of all cavities that are occupied, with its confidence interval.

    All arrays are by sampled site: occupied cavities, cavities, position [m] and inclusion probability. The share is the
    ratio of two Horvitz–Thompson totals; its variance comes from local means of the residuals, each site's part reduced by
    the chance it had (finite population). Sites seen with certainty add nothing to it.

    Raises ``ValueError`` with fewer than two sites, or where more cavities are occupied than there are.
    """
    y, m = np.asarray(occupied, float), np.asarray(cavities, float)
    points, chance = np.asarray(xy, float), np.asarray(probability, float)
    if len(y) < 2:
        raise ValueError("a share with an interval needs at least two sites.")
    if (y < 0).any() or (y > m).any() or m.sum() <= 0:
        raise ValueError("occupied: between 0 and the number of cavities of the site.")
    whole = float((m / chance).sum())
    share = float((y / chance).sum()) / whole
    variance = local_mean_variance((y - share * m) / chance / whole, points, chance)
    error = float(np.sqrt(variance))
    count = len(y)
    factor = float(stdtrit(max(count - 1, 1), 0.5 + confidence / 2))
    if count >= _NORMAL_COUNT and _NORMAL_RANGE[0] <= share <= _NORMAL_RANGE[1]:
        half = float(ndtri(0.5 + confidence / 2)) * error
        low, high = share - half, share + half
        return ShareEstimate(
            share=share, low=low, high=high, standard_error=error, count=count, interval="normal"
        )
    low, high = _wilson(share, variance, count, float(m.sum()), factor)
    return ShareEstimate(
        share=share, low=low, high=high, standard_error=error, count=count, interval="wilson"
    )


def local_mean_variance(
    z: NDArray[np.float64], xy: NDArray[np.float64], probability: NDArray[np.float64]
) -> float:
    """Variance of the sum of ``z`` (values already divided by their probability), from each site's nearest neighbours.

    Two stated departures from Stevens & Olsen 2003: the weights, which fall with the rank of the neighbour, are scaled row
    by row and column by column in turn until both sum to one (they change them least for that), and each local sum of
    squares is divided by one minus the sum of its squared weights, as n - 1 stands for n, since the mean contains the site
    itself: without it intervals were too narrow by a tenth. Each term is reduced by its probability: the correction for a
    finite population.
    """
    open_sites = np.flatnonzero(probability < 1)
    n = len(open_sites)
    if n < 2:
        return 0.0
    z, xy, probability = z[open_sites], xy[open_sites], probability[open_sites]
    k = min(_NEIGHBOURS, n)
    _, near = cKDTree(xy).query(xy, k)
    near = near.reshape(n, k)
    weight = np.zeros((n, n)) if n <= 600 else None
    if weight is None:
        return _sparse_local_mean(z, near, probability)
    weight[np.arange(n)[:, None], near] = (np.arange(k, 0, -1) / k) / probability[near]
    weight = np.maximum(weight, weight.T)
    for _ in range(_BALANCE_ROUNDS):
        weight /= weight.sum(axis=1, keepdims=True)
        weight /= weight.sum(axis=0, keepdims=True)
    weight /= weight.sum(axis=1, keepdims=True)
    mean = weight @ z
    spared = 1 - (weight**2).sum(axis=1)
    terms = (weight * (1 - probability) * (z - mean[:, None]) ** 2).sum(axis=1)
    return float((terms / spared).sum())


def _sparse_local_mean(
    z: NDArray[np.float64], near: NDArray[np.int64], probability: NDArray[np.float64]
) -> float:
    """The same with sparse weights, for samples of many hundred sites."""
    from scipy.sparse import coo_matrix, diags

    n, k = near.shape
    value = (np.arange(k, 0, -1) / k) / probability[near]
    one = coo_matrix((value.ravel(), (np.repeat(np.arange(n), k), near.ravel())), shape=(n, n)).tocsr()
    weight = one.maximum(one.T).tocsr()
    for _ in range(_BALANCE_ROUNDS):
        weight = diags(1 / np.asarray(weight.sum(axis=1)).ravel()) @ weight
        weight = weight @ diags(1 / np.asarray(weight.sum(axis=0)).ravel())
    weight = (diags(1 / np.asarray(weight.sum(axis=1)).ravel()) @ weight).tocoo()
    mean = weight @ z
    spared = 1 - np.bincount(weight.row, weight.data**2, n)
    apart = z[weight.col] - mean[weight.row]
    return float((weight.data * (1 - probability[weight.col]) * apart**2 / spared[weight.row]).sum())


def expected_half_width(
    count: int,
    population: int,
    *,
    share: float = 0.5,
    site_sd: float | None = None,
    size_cv: float = 0.0,
    confidence: float = 0.95,
) -> float:
    """Half-width of the interval to expect when ``count`` of ``population`` sites are seen.

    ``site_sd`` is the standard deviation of the share from site to site (from earlier rounds); without it the most that the
    share allows is taken, as if each site were all full or all empty, so the interval will be narrower. ``size_cv`` is the
    coefficient of variation of the cavities a site: where few sites hold much of them, whether those are seen decides, and the
    interval widens by the root of one plus its square (the ratio estimator's variance: Cochran 1977, Sampling Techniques, from memory).
    """
    if not 2 <= count <= population:
        raise ValueError(f"count: between 2 and {population} sites are needed, not {count}.")
    spread = float(np.sqrt(share * (1 - share))) if site_sd is None else site_sd
    factor = float(stdtrit(count - 1, 0.5 + confidence / 2))
    return factor * spread * float(np.sqrt((1 + size_cv**2) * (1 - count / population) / count))


def smallest_count(
    half_width: float,
    population: int,
    *,
    share: float = 0.5,
    site_sd: float | None = None,
    size_cv: float = 0.0,
    confidence: float = 0.95,
) -> int:
    """Fewest sites whose expected half-width is at most ``half_width`` (see `expected_half_width`)."""
    if half_width <= 0 or population < 2:
        raise ValueError("half_width must be above 0, and there must be at least two sites.")
    low, high = 2, population
    while low < high:
        middle = (low + high) // 2
        wide = expected_half_width(
            middle, population, share=share, site_sd=site_sd, size_cv=size_cv, confidence=confidence
        )
        low, high = (low, middle) if wide <= half_width else (middle + 1, high)
    return low


def size_cv(cavities: ArrayLike) -> float:
    """Standard deviation of the cavities a site over their mean; 0 where there are none.

    >>> size_cv([10, 10]), size_cv([0, 20])
    (0.0, 1.0)
    """
    sizes = np.asarray(cavities, float)
    return float(sizes.std() / sizes.mean()) if sizes.size and sizes.mean() > 0 else 0.0


def voronoi_balance(xy: ArrayLike, chosen: ArrayLike, probability: ArrayLike) -> float:
    """Mean squared deviation from 1 of the chances summed over the sites nearest each sampled site; 0 is perfect balance.

    ``xy`` and ``probability`` are for all sites. Sites as near to two sampled ones count half for each (three: a third …).

    References
    ----------
    Stevens & Olsen 2004; Grafström, Lundström & Schelin 2012, Biometrics 68:514–520 (from memory).
    """
    points, picked = np.asarray(xy, float), np.asarray(chosen, np.int64)
    k = min(len(picked), 8)
    distance, near = cKDTree(points[picked]).query(points, k)
    distance, near = distance.reshape(-1, k), near.reshape(-1, k)
    tied = distance <= distance[:, :1] + 1e-6
    part = tied / tied.sum(axis=1, keepdims=True) * np.asarray(probability, float)[:, None]
    return float(np.mean((np.bincount(near.ravel(), part.ravel(), len(picked)) - 1) ** 2))


def _allocate(sizes: NDArray[np.int64], count: int) -> NDArray[np.int64]:
    """Sample sizes in proportion, by largest remainder; at least one a block as long as the count allows."""
    quota = sizes * count / sizes.sum()
    shares = np.floor(quota + 1e-9).astype(np.int64)
    order = np.lexsort((np.arange(len(sizes)), -(quota - shares)))
    shares[order[: count - shares.sum()]] += 1
    for empty in np.flatnonzero(shares == 0):
        richest = int(np.argmax(shares))
        if shares[richest] > 1:
            shares[richest] -= 1
            shares[empty] += 1
    fair: NDArray[np.int64] = np.maximum(shares, 1) if count < len(sizes) else shares
    return fair


def _quadtree_order(xy: NDArray[np.float64], rng: np.random.Generator) -> NDArray[np.int64]:
    """Order of the sites along a line through a quadtree whose quarters are shuffled at every level and place."""
    low, extent = xy.min(axis=0), float(max(np.ptp(xy, axis=0).max(), 1e-9))
    unit = (xy - low) / (2.001 * extent) + rng.random(2) * 0.499
    depth = min(16, int(np.ceil(np.log2(max(len(xy), 2)) / 2)) + 3)
    cell = np.floor(unit * 2**depth).astype(np.int64)
    place = np.zeros(len(xy), np.int64)
    address = np.zeros(len(xy), np.int64)
    for level in range(depth - 1, -1, -1):
        quarter = ((cell[:, 0] >> level) & 1) * 2 + ((cell[:, 1] >> level) & 1)
        _, node = np.unique(place, return_inverse=True)
        shuffled = np.argsort(rng.random((int(node.max()) + 1, 4)), axis=1)
        address = address * 4 + shuffled[node, quarter]
        place = place * 4 + quarter
    order: NDArray[np.int64] = np.lexsort((rng.random(len(xy)), address))
    return order


def _systematic(
    size: int, count: int, turn: int, num_rounds: int, rng: np.random.Generator
) -> NDArray[np.int64]:
    """Positions on a line of ``size`` sites hit by ``count`` evenly spaced points, shifted from round to round.

    The start is uniform over one interval, so each site has the chance count / size in every round; the shifts of all
    rounds together leave no site out, as they are at most one site apart.
    """
    interval = size / count
    start = rng.random() * interval
    shift = rng.permutation(num_rounds)[turn] * interval / num_rounds
    points = (start + shift) % interval + np.arange(count) * interval
    hit: NDArray[np.int64] = np.minimum(np.floor(points).astype(np.int64), size - 1)
    return hit


def _wilson(share: float, variance: float, count: int, cavities: float, factor: float) -> tuple[float, float]:
    """Wilson's interval with the sample size at which a simple random sample would have the same variance.

    Where no residual is left (all empty, all full) each site counts as one observation.
    """
    spread = share * (1 - share)
    size = min(spread / variance, cavities) if variance > 0 and spread > 0 else float(count)
    middle = (share + factor**2 / (2 * size)) / (1 + factor**2 / size)
    half = factor * np.sqrt(spread / size + factor**2 / (4 * size**2)) / (1 + factor**2 / size)
    return max(0.0, middle - half), min(1.0, middle + half)
