"""Plain shapes as small pictures, for viewers that can show no other symbol than a picture."""

from __future__ import annotations

import struct
import zlib
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

Shape = Literal["ring", "square", "triangle", "diamond"]
SIZE: Final = 32
_FINE: Final = 4
"""Each pixel is the mean of 4 × 4 samples, so that edges are smooth."""


def icon_png(shape: Shape, fill: str) -> bytes:
    """A PNG of 32 × 32 pixels: the shape in `fill` ('#rrggbb') with a black rim on nothing."""
    step = (np.arange(SIZE * _FINE) + 0.5) / (SIZE * _FINE) * 2 - 1
    x, y = np.meshgrid(step, -step)
    outer, inner = _inside(shape, x, y, 0.94), _inside(shape, x, y, 0.66)
    if shape == "ring":
        inner &= ~(np.hypot(x, y) < 0.26)
    colour = np.array([int(fill[k : k + 2], 16) for k in (1, 3, 5)], float)
    alpha = _coarse(outer.astype(float))
    share = np.divide(_coarse((outer & inner).astype(float)), alpha, out=np.zeros_like(alpha), where=alpha > 0)
    pixels = np.dstack([share[..., None] * colour, alpha[..., None] * 255])
    return _png(np.rint(pixels).astype(np.uint8))


def _inside(shape: Shape, x: NDArray[np.float64], y: NDArray[np.float64], half: float) -> NDArray[np.bool_]:
    if shape == "ring":
        return np.asarray(np.hypot(x, y) <= half)
    if shape == "square":
        return np.asarray(np.maximum(abs(x), abs(y)) <= half * 0.85)
    if shape == "diamond":
        return np.asarray(abs(x) + abs(y) <= half)
    low = -0.8 * half
    return np.asarray((y >= low) & (abs(x) <= (half - y) / (half - low) * half))


def _coarse(fine: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(fine.reshape(SIZE, _FINE, SIZE, _FINE).mean(axis=(1, 3)))


def _png(pixels: NDArray[np.uint8]) -> bytes:
    """References: W3C PNG specification: 8-bit RGBA, no filter."""
    rows = b"".join(b"\0" + row.tobytes() for row in pixels)
    head = struct.pack(">2I5B", pixels.shape[1], pixels.shape[0], 8, 6, 0, 0, 0)
    parts = ((b"IHDR", head), (b"IDAT", zlib.compress(rows, 9)), (b"IEND", b""))
    return b"\x89PNG\r\n\x1a\n" + b"".join(
        struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body)) for kind, body in parts
    )
