"""The USDA triangle: published corner cases, a partition without holes, and clay ranges that hold."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mudcap.orchard.texture import CLAY_RANGE, TEXTURE_CLASSES, clay_share_of, texture_class


@pytest.mark.parametrize(
    ("sand", "silt", "clay", "name"),
    # worked points well inside each class of the published triangle (Soil Survey Manual, USDA Handbook 18, ch. 3)
    [
        (92, 5, 3, "sand"),
        (82, 12, 6, "loamy sand"),
        (65, 25, 10, "sandy loam"),
        (40, 40, 20, "loam"),
        (20, 65, 15, "silt loam"),
        (7, 87, 6, "silt"),
        (60, 13, 27, "sandy clay loam"),
        (33, 34, 33, "clay loam"),
        (10, 56, 34, "silty clay loam"),
        (52, 6, 42, "sandy clay"),
        (7, 47, 46, "silty clay"),
        (20, 20, 60, "clay"),
    ],
)
def test_points_inside_each_class(sand, silt, clay, name):
    """One point for each of the twelve classes."""
    assert texture_class(sand=sand / 100, silt=silt / 100, clay=clay / 100) == name


@given(st.integers(0, 1000), st.integers(0, 1000))
def test_every_point_has_a_class_whose_clay_range_holds_it(a, b):
    """The triangle is covered, and the clay range of the class is true of the point."""
    a, b = sorted((a, b))
    sand, silt, clay = a / 1000, (b - a) / 1000, 1 - b / 1000
    low, high = CLAY_RANGE[texture_class(sand=sand, silt=silt, clay=clay)]
    assert low - 1e-9 <= clay <= high + 1e-9


def test_clay_of_a_named_class():
    """Names are read whatever their case and spacing; an unknown one gives nothing."""
    assert clay_share_of("  SILTY  clay ") == pytest.approx(0.5)
    assert clay_share_of("gravel") is None
    assert set(CLAY_RANGE) == set(TEXTURE_CLASSES)


@pytest.mark.parametrize("shares", [(0.5, 0.5, 0.5), (-0.1, 0.6, 0.5), (0, 0, 0)])
def test_refuses_what_is_no_soil(shares):
    """Shares that do not sum to one are refused."""
    with pytest.raises(ValueError, match="sum to 1"):
        texture_class(sand=shares[0], silt=shares[1], clay=shares[2])


def defined(sand: float, silt: float, clay: float) -> list[str]:
    """Classes whose definition in words holds, in percent (Soil Survey Manual, USDA Handbook 18, ch. 3; the words from memory,
    the numbers as R packages for soil hydraulics code them)."""
    words = {
        "sand": silt + 1.5 * clay < 15,
        "loamy sand": silt + 1.5 * clay >= 15 and silt + 2 * clay < 30,
        "sandy loam": (7 <= clay < 20 and sand > 52 and silt + 2 * clay >= 30) or (clay < 7 and silt < 50 and silt + 2 * clay >= 30),
        "loam": 7 <= clay < 27 and 28 <= silt < 50 and sand <= 52,
        "silt loam": (silt >= 50 and 12 <= clay < 27) or (50 <= silt < 80 and clay < 12),
        "silt": silt >= 80 and clay < 12,
        "sandy clay loam": 20 <= clay < 35 and silt < 28 and sand > 45,
        "clay loam": 27 <= clay < 40 and 20 < sand <= 45,
        "silty clay loam": 27 <= clay < 40 and sand <= 20,
        "sandy clay": clay >= 35 and sand > 45,
        "silty clay": clay >= 40 and silt >= 40,
        "clay": clay >= 40 and sand <= 45 and silt < 40,
    }
    return [name for name, holds in words.items() if holds]


def test_each_whole_percent_falls_into_the_one_class_that_is_defined_for_it():
    """All 5,151 points of the triangle, boundaries and corners among them, against the definitions in words."""
    for sand in range(101):
        for silt in range(101 - sand):
            clay = 100 - sand - silt
            assert defined(sand, silt, clay) == [texture_class(sand=sand / 100, silt=silt / 100, clay=clay / 100)]


def test_agrees_with_a_published_example():
    """The example of an R package's classes (hydroTools::soil_class, after Moeys, The soil texture wizard)."""
    clay = (5, 60, 15, 5, 25, 5, 25, 45, 65, 75, 13, 47)
    sand = (90, 32, 70, 70, 20, 10, 10, 10, 20, 10, 70, 10)
    names = (
        "sand", "clay", "sandy loam", "sandy loam", "silt loam", "silt", "silt loam", "silty clay", "clay", "clay", "sandy loam",
        "silty clay",
    )  # fmt: skip
    for c, s, name in zip(clay, sand, names, strict=True):
        assert texture_class(sand=s / 100, silt=(100 - s - c) / 100, clay=c / 100) == name
