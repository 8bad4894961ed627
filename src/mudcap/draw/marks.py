"""Short marks for the packages of a plan, the same on every sheet."""

from __future__ import annotations

from mudcap.plan.model import Plan
from mudcap.plan.picking import picks, sums


def package_marks(plan: Plan) -> dict[str, str]:
    """Package name to its capital letter, in the order in which packages are first needed; {} where none are planned."""
    return {name: mark(k) for k, (name, _count) in enumerate(sums(picks(plan)).packages)}


def mark(number: int) -> str:
    """A, B … Z, AA, AB …

    >>> mark(0), mark(25), mark(26)
    ('A', 'Z', 'AA')
    """
    return (mark(number // 26 - 1) if number >= 26 else "") + chr(ord("A") + number % 26)
