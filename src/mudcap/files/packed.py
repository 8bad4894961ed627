"""Zip archives that come out the same, byte for byte, wherever and whenever they are written."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Mapping
from typing import Final

_DATE: Final = (2000, 1, 1, 0, 0, 0)


def zip_bytes(members: Mapping[str, bytes]) -> bytes:
    """A zip of the members in their order, with a fixed date and plain rights."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in members.items():
            info = zipfile.ZipInfo(name, _DATE)
            info.compress_type, info.external_attr, info.create_system = zipfile.ZIP_DEFLATED, 0o644 << 16, 3
            archive.writestr(info, content)
    return out.getvalue()
