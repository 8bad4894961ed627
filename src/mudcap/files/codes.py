"""Block codes: up to three capital letters or digits that start each site_id."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from typing import Final

from mudcap.files.names import plain_letters

_ALPHABET: Final = "ABCDEFGHJKLMNPQRSTUVWXYZ23456789"
"""No 0, 1, I or O, which are misread on a tag."""


def block_codes(names: Iterable[str], kept: Mapping[str, str] | None = None) -> dict[str, str]:
    """A unique code for each block name: the kept one of an earlier plan, else one made of the name alone.

    A code depends on other blocks only where two names would get the same one; then the name that sorts later gets
    letters drawn from its own spelling's hash.

    >>> block_codes(["Creek", "NW 40", "NW 41", "7"])
    {'Creek': 'CRE', 'NW 40': 'N40', 'NW 41': 'N41', '7': 'B7'}
    """
    wanted = list(names)
    used: dict[str, str] = {n: c for n, c in (kept or {}).items() if n in wanted}
    taken = set((kept or {}).values())
    for name in sorted(wanted):
        if name in used:
            continue
        code = next(c for c in _choices(name) if c not in taken)
        used[name] = code
        taken.add(code)
    return {n: used[n] for n in wanted}


def _choices(name: str) -> Iterable[str]:
    words = plain_letters(name).upper().split()
    first = _short(words)
    if first:
        yield first
    for salt in range(100_000):
        digest = hashlib.sha256(f"{name}|{salt}".encode()).digest()
        letters = "".join(_ALPHABET[b % len(_ALPHABET)] for b in digest[:3])
        if not letters.isdigit():
            yield letters


def _short(words: list[str]) -> str:
    """Initials and the last number where there is one, else the first three letters; never digits alone."""
    joined = "".join(words)
    if not joined:
        return ""
    if joined.isdigit():
        return f"B{joined}" if len(joined) <= 2 else ""
    if len(joined) <= 3:
        return joined
    number = words[-1] if words[-1].isdigit() else ""
    letters = [w for w in words if not w.isdigit()]
    if number and letters:
        initials = "".join(w[0] for w in letters)
        return (initials[: max(1, 3 - len(number))] + number)[:3] if len(number) <= 2 else ""
    if len(letters) > 1:
        return "".join(w[0] for w in letters)[:3] if len(letters) >= 3 else letters[0][:2] + letters[1][0]
    return joined[:3]
