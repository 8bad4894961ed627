"""The plan number: eight characters that change when anything that went in changes."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from enum import Enum
from typing import Any

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry


def plan_number(*inputs: Any) -> str:
    """Eight hexadecimal characters of SHA-256 over the inputs: dataclasses, arrays, geometries, plain values.

    Coordinates count to the millimetre, so that the last bits of a projection do not matter.

    >>> plan_number({"b": 1, "a": 2}) == plan_number({"a": 2, "b": 1})
    True
    """
    digest = hashlib.sha256()
    _feed(digest, inputs)
    return digest.hexdigest()[:8]


def _feed(digest: Any, value: Any) -> None:
    if is_dataclass(value) and not isinstance(value, type):
        digest.update(type(value).__name__.encode())
        for field in fields(value):
            digest.update(field.name.encode())
            _feed(digest, getattr(value, field.name))
    elif isinstance(value, np.ndarray):
        rounded = np.round(value, 3) + 0.0 if value.dtype.kind == "f" else value
        digest.update(f"{value.dtype}{value.shape}".encode())
        digest.update(np.ascontiguousarray(rounded).tobytes())
    elif isinstance(value, BaseGeometry):
        whole = shapely.transform(value, lambda xyz: np.round(xyz, 3) + 0.0, include_z=bool(value.has_z))
        digest.update(shapely.to_wkb(whole, byte_order=1))
    elif isinstance(value, Mapping):
        digest.update(f"{{{len(value)}".encode())
        for key in sorted(value):
            _feed(digest, (key, value[key]))
    elif isinstance(value, (tuple, list)):
        digest.update(f"[{len(value)}".encode())
        for item in value:
            _feed(digest, item)
    elif isinstance(value, (set, frozenset)):
        _feed(digest, tuple(sorted(value)))
    elif isinstance(value, Enum):
        _feed(digest, value.value)
    elif isinstance(value, float):
        digest.update(f"{value:.9g};".encode())
    else:
        text = str(value)
        digest.update(f"{type(value).__name__}:{len(text)}:{text};".encode())
