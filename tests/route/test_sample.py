"""Which sites to see: equal chances, every site in turn, even over the ground, and intervals that hold what they say."""

from __future__ import annotations

import numpy as np
import pytest

from mudcap.route.sample import (
    draw_sample,
    estimate_share,
    expected_half_width,
    local_mean_variance,
    size_cv,
    smallest_count,
    voronoi_balance,
)


def _sites() -> np.ndarray:
    """360 sites of a 40-acre block, in 20 rows of 18, every other row shifted."""
    row, place = np.divmod(np.arange(360), 18)
    return np.column_stack([row * 20.1, place * 22.3 + (row % 2) * 11.0])


def _field(xy: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """A field with seven tenths of its variance correlated over 80 m."""
    apart = np.linalg.norm(xy[:, None] - xy[None], axis=2)
    return np.linalg.cholesky(0.7 * np.exp(-apart / 80) + 0.3 * np.eye(len(xy))) @ rng.standard_normal(
        len(xy)
    )


def test_coverage_of_the_interval() -> None:
    """2,000 samples of 48 sites: the 95 % interval holds the true share of cavities in 93 to 97 of 100, at three shares."""
    rng = np.random.default_rng(2)
    xy = _sites()
    field = _field(xy, rng)
    cavities = rng.integers(60, 120, len(xy))
    logit = field + np.log(np.array([0.25, 0.5, 0.75]) / np.array([0.75, 0.5, 0.25]))[:, None]
    occupied = rng.binomial(cavities, 1 / (1 + np.exp(-logit)))
    truth = occupied.sum(axis=1) / cavities.sum()
    assert (truth > 0.2).all() and (truth < 0.8).all()
    hits, errors, found = np.zeros(3), np.zeros(3), np.empty((2_000, 3))
    for replication in range(2_000):
        sample = draw_sample(xy, np.zeros(len(xy)), 48, seed=replication)
        s = sample.sites
        for k in range(3):
            estimate = estimate_share(occupied[k, s], cavities[s], xy[s], sample.probability)
            hits[k] += estimate.low <= truth[k] <= estimate.high
            errors[k] += estimate.standard_error / 2_000
            found[replication, k] = estimate.share
    assert (hits >= 0.93 * 2_000).all() and (hits <= 0.97 * 2_000).all(), hits / 2_000
    np.testing.assert_allclose(found.mean(axis=0), truth, atol=0.003)  # the estimate is (nearly) unbiased
    np.testing.assert_allclose(errors, found.std(axis=0), rtol=0.15)


def test_every_site_has_its_chance() -> None:
    """Over 1,200 seeds each site of a block is drawn as often as its probability says, within five standard errors."""
    rng = np.random.default_rng(4)
    xy, block = rng.uniform(0, 200, (30, 2)), np.repeat([0, 1], [20, 10])
    times = np.zeros(30)
    for seed in range(1_200):
        sample = draw_sample(xy, block, 9, seed=seed, round_number=seed % 4)
        times[sample.sites] += 1
        assert len(sample.sites) == 9
        np.testing.assert_allclose(sample.probability, 0.3)
    assert (np.abs(times / 1_200 - 0.3) < 5 * np.sqrt(0.21 / 1_200)).all()


@pytest.mark.parametrize(("count", "sizes"), [(60, [360]), (7, [20, 11, 3]), (50, [120, 77]), (31, [31])])
def test_every_site_within_the_rounds(count: int, sizes: list[int]) -> None:
    """The rounds of one cycle leave no site out, and the next cycle begins a new order."""
    rng = np.random.default_rng(count)
    xy, block = rng.uniform(0, 500, (sum(sizes), 2)), np.repeat(np.arange(len(sizes)), sizes)
    first = draw_sample(xy, block, count, seed=1)
    rounds = [draw_sample(xy, block, count, seed=1, round_number=r) for r in range(first.num_rounds)]
    seen = np.unique(np.concatenate([r.sites for r in rounds]))
    np.testing.assert_array_equal(seen, np.arange(sum(sizes)))
    assert {len(r.sites) for r in rounds} == {count}
    again = draw_sample(xy, block, count, seed=1, round_number=first.num_rounds)
    assert count == sum(sizes) or not np.array_equal(again.sites, first.sites)


def test_flagged_sites_are_always_in() -> None:
    """Flagged sites come on top, with probability one; the others keep theirs."""
    xy, block = _sites(), np.zeros(360)
    plain = draw_sample(xy, block, 60, seed=3)
    extra = [int(s) for s in range(360) if s not in plain.sites][:5]
    sample = draw_sample(xy, block, 60, seed=3, flagged=[*extra, int(plain.sites[0])])
    np.testing.assert_array_equal(sample.sites, np.union1d(plain.sites, extra))
    chance = dict(zip(sample.sites.tolist(), sample.probability.tolist(), strict=True))
    assert all(chance[s] == 1 for s in [*extra, int(plain.sites[0])])
    assert chance[int(plain.sites[1])] == pytest.approx(60 / 360)


def test_more_even_than_a_simple_random_sample() -> None:
    """The mean Voronoi balance of 60 samples is less than half that of simple random ones."""
    xy, rng = _sites(), np.random.default_rng(0)
    chance = np.full(360, 60 / 360)
    ours = [voronoi_balance(xy, draw_sample(xy, np.zeros(360), 60, seed=s).sites, chance) for s in range(60)]
    random = [voronoi_balance(xy, rng.choice(360, 60, replace=False), chance) for _ in range(60)]
    assert np.mean(ours) < 0.5 * np.mean(random)


def test_voronoi_balance_by_hand() -> None:
    """Six sites in a line, two sampled: 3 and 3 nearest give 0; 2 and 4 give ((2/3 - 1)² + (4/3 - 1)²) / 2 = 1/9."""
    xy, chance = np.column_stack([np.arange(6.0), np.zeros(6)]), np.full(6, 1 / 3)
    assert voronoi_balance(xy, [1, 4], chance) == pytest.approx(0.0)
    assert voronoi_balance(xy, [1, 2], chance) == pytest.approx(1 / 9)


def test_local_mean_variance_of_noise() -> None:
    """For values without any pattern it is the variance of the sum, as the textbook has it: n σ² (1 - f)."""
    rng = np.random.default_rng(5)
    xy = rng.uniform(0, 400, (100, 2))
    values = [local_mean_variance(rng.standard_normal(100), xy, np.full(100, 0.25)) for _ in range(200)]
    assert np.mean(values) == pytest.approx(100 * 0.75, rel=0.03)
    assert local_mean_variance(np.ones(100), xy, np.full(100, 0.25)) == pytest.approx(0.0, abs=1e-9)


def test_sparse_and_full_weights_agree() -> None:
    """Beyond 600 sites the weights are kept sparse; both ways give the same variance."""
    from mudcap.route import sample as module

    rng = np.random.default_rng(6)
    xy, z, chance = rng.uniform(0, 900, (300, 2)), rng.standard_normal(300), rng.uniform(0.1, 0.5, 300)
    _, near = module.cKDTree(xy).query(xy, 4)
    full = local_mean_variance(z, xy, chance)
    assert module._sparse_local_mean(z, near, chance) == pytest.approx(full, rel=1e-9)


def test_all_seen_leaves_no_doubt() -> None:
    """A full round has no sampling error; the share is the plain ratio."""
    rng = np.random.default_rng(7)
    cavities = np.full(50, 80)
    occupied = rng.integers(20, 60, 50)
    estimate = estimate_share(occupied, cavities, rng.uniform(0, 99, (50, 2)), np.ones(50))
    share = occupied.sum() / 4_000
    assert (estimate.share, estimate.standard_error) == (pytest.approx(share), 0.0)


@pytest.mark.parametrize("full", [0, 80])
def test_wilson_interval_at_the_ends(full: int) -> None:
    """All empty or all full: the interval says so, stays within 0 and 1 and is not a point (n = 20: 0 to 0.18)."""
    xy = np.random.default_rng(1).uniform(0, 300, (20, 2))
    estimate = estimate_share(np.full(20, full), np.full(20, 80), xy, np.full(20, 0.2))
    assert estimate.interval == "wilson"
    assert 0 <= estimate.low <= estimate.share <= estimate.high <= 1
    assert estimate.high - estimate.low == pytest.approx(2.093**2 / (20 + 2.093**2), abs=1e-3)


def test_half_width_and_count_agree() -> None:
    """The smallest count reaches the wanted half-width and one fewer does not; known site spread needs fewer stops."""
    n = smallest_count(0.10, 360)
    assert expected_half_width(n, 360) <= 0.10 < expected_half_width(n - 1, 360)
    assert smallest_count(0.10, 360, site_sd=0.2) < n
    assert smallest_count(1e-9, 12) == 12


def test_wrong_calls_are_named() -> None:
    """Each wrong argument is an error that names it."""
    xy, block = _sites(), np.zeros(360)
    with pytest.raises(ValueError, match="count"):
        draw_sample(xy, block, 0, seed=0)
    with pytest.raises(ValueError, match="round_number"):
        draw_sample(xy, block, 10, seed=0, round_number=-1)
    with pytest.raises(ValueError, match="flagged"):
        draw_sample(xy, block, 10, seed=0, flagged=[360])
    with pytest.raises(ValueError, match="occupied"):
        estimate_share([5, 90], [80, 80], xy[:2], [0.5, 0.5])
    with pytest.raises(ValueError, match="at least two"):
        estimate_share([5], [80], xy[:1], [0.5])
    with pytest.raises(ValueError, match="half_width"):
        smallest_count(0.0, 360)
    with pytest.raises(ValueError, match="between 2 and 10"):
        expected_half_width(1, 10)


def test_the_half_width_to_expect_knows_that_few_sites_hold_much():
    """2,000 samples of 40 among 200 sites of 7 to 271 cavities, each site all full or all empty, against the errors they make."""
    rng = np.random.default_rng(11)
    xy = rng.random((200, 2)) * 300
    cavities = np.clip(np.round(np.exp(rng.normal(3.4, 1.0, 200))), 7, 271)
    errors = []
    for seed in range(2000):
        full = rng.random(200) < 0.5
        seen = draw_sample(xy, np.zeros(200), 40, seed=seed).sites
        told = (cavities[seen] * full[seen]).sum() / cavities[seen].sum()
        errors.append(told - (cavities * full).sum() / cavities.sum())
    made = 1.96 * float(np.std(errors))
    assert expected_half_width(40, 200, size_cv=size_cv(cavities)) == pytest.approx(made, rel=0.08)
    assert expected_half_width(40, 200) < 0.8 * made
    assert smallest_count(0.1, 200, size_cv=size_cv(cavities)) > smallest_count(0.1, 200)
