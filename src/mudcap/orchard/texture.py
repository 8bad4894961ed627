"""USDA soil texture: the class of sand, silt and clay shares, and how much clay a class can hold."""

from __future__ import annotations

from typing import Final, Literal, get_args

TextureClass = Literal[
    "sand", "loamy sand", "sandy loam", "loam", "silt loam", "silt", "sandy clay loam", "clay loam",
    "silty clay loam", "sandy clay", "silty clay", "clay",
]  # fmt: skip
TEXTURE_CLASSES: Final[tuple[str, ...]] = get_args(TextureClass)

CLAY_RANGE: Final[dict[str, tuple[float, float]]] = {
    "sand": (0.0, 0.10),
    "loamy sand": (0.0, 0.15),
    "sandy loam": (0.0, 0.20),
    "loam": (0.07, 0.27),
    "silt loam": (0.0, 0.27),
    "silt": (0.0, 0.12),
    "sandy clay loam": (0.20, 0.35),
    "clay loam": (0.27, 0.40),
    "silty clay loam": (0.27, 0.40),
    "sandy clay": (0.35, 0.55),
    "silty clay": (0.40, 0.60),
    "clay": (0.40, 1.0),
}
"""Least and greatest clay share of each class in the triangle below."""


def texture_class(*, sand: float, silt: float, clay: float) -> TextureClass:
    """The USDA texture class of shares that sum to 1 (within 0.02; they are brought to 1 first).

    Raises ``ValueError`` for a negative share or another sum.

    References: Soil Science Division Staff 2017, Soil Survey Manual, USDA Handbook 18, ch. 3, texture classes (the
    boundaries from memory; the tests hold them to a partition of the triangle and to its published corners).

    >>> texture_class(sand=0.4, silt=0.4, clay=0.2)
    'loam'
    """
    total = sand + silt + clay
    if min(sand, silt, clay) < 0 or abs(total - 1) > 0.02:
        raise ValueError(f"sand {sand:g}, silt {silt:g} and clay {clay:g} must be at least 0 and sum to 1.")
    sand, silt, clay = (round(100 * share / total, 9) for share in (sand, silt, clay))
    if clay >= 40:
        return "silty clay" if silt >= 40 else "clay" if sand <= 45 else "sandy clay"
    if clay >= 35 and sand > 45:
        return "sandy clay"
    if clay >= 27 and sand <= 45:
        return "clay loam" if sand > 20 else "silty clay loam"
    if clay >= 20 and silt < 28 and sand > 45:
        return "sandy clay loam"
    return _coarse_or_silty(sand, silt, clay)


def clay_share_of(texture: str) -> float | None:
    """Middle of the clay range of a named class [share]; None for an unknown name.

    >>> clay_share_of("Clay Loam"), clay_share_of("peat")
    (0.335, None)
    """
    span = CLAY_RANGE.get(" ".join(texture.lower().split()))
    return None if span is None else round((span[0] + span[1]) / 2, 4)


def _coarse_or_silty(sand: float, silt: float, clay: float) -> TextureClass:
    if silt >= 50:
        return "silt" if silt >= 80 and clay < 12 else "silt loam"
    if silt + 1.5 * clay < 15:
        return "sand"
    if silt + 2 * clay < 30:
        return "loamy sand"
    if clay >= 7 and silt >= 28 and sand <= 52:
        return "loam"
    return "sandy loam"
