"""What the layers say of roads, alleys and gates: who may use them, which way, when, and with which key."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Final

from mudcap.files.columns import ColumnError, Columns
from mudcap.files.spelled import modes_in
from mudcap.lang import _
from mudcap.orchard.model import MODES

_VEHICLES: Final = frozenset({"truck", "cart"})
_AGAINST: Final = {"-1", "reverse", "backward"}
"""One way against the direction in which the line is drawn, as open maps write it."""


def read_modes(columns: Columns, row: Mapping[str, str]) -> frozenset[str] | None:
    """Who may use a way: the words truck, cart, foot in its column `modes`; None where it says nothing."""
    return _words(columns, row, "modes", {}) or None


def read_bridge(columns: Columns, row: Mapping[str, str]) -> frozenset[str]:
    """Who gets over ditches by a road: everybody unless its column `bridge` says no, or who does."""
    return _words(columns, row, "bridge", {"yes": MODES, "no": frozenset(), "": MODES})


def read_locked(columns: Columns, row: Mapping[str, str]) -> frozenset[str]:
    """Who is stopped by a gate's lock: nobody, or (yes) truck and cart, or those that its column `locked` names."""
    return _words(columns, row, "locked", {"yes": _VEHICLES, "no": frozenset(), "": frozenset()})


def read_one_way(columns: Columns, row: Mapping[str, str]) -> int:
    """0 both ways, 1 only as the line is drawn, -1 only against it."""
    if columns.text(row, "oneway").strip().lower() in _AGAINST:
        return -1
    return int(columns.flag(row, "oneway", False))


def read_closed(columns: Columns, row: Mapping[str, str]) -> tuple[tuple[date, date], ...]:
    """Dates between which a way cannot be driven, of its columns `closed_from` and `closed_to`."""
    span = read_span(columns, row, "closed_from", "closed_to", "closed")
    return (span,) if span else ()


def read_span(
    columns: Columns, row: Mapping[str, str], first_name: str, last_name: str, what: str
) -> tuple[date, date] | None:
    """First and last date of two columns; None where both are empty."""
    first, last = columns.day(row, first_name), columns.day(row, last_name)
    if first is None and last is None:
        return None
    if first is None or last is None:
        raise ColumnError(_("{name}: a first and a last date are needed.").format(name=what))
    if last < first:
        raise ColumnError(_("{name}: {last} is before {first}.").format(name=what, first=first, last=last))
    return first, last


def _words(
    columns: Columns, row: Mapping[str, str], name: str, short: Mapping[str, frozenset[str]]
) -> frozenset[str]:
    """The modes that a cell names; where `short` is given, yes, no and nothing stand for those in it."""
    words = modes_in(columns.text(row, name))
    if words <= MODES and words:
        return words
    if short and not words:
        return short[""]
    if short:
        try:
            return short["yes" if columns.flag(row, name, False) else "no"]
        except ColumnError:
            text = _("{name}: '{word}' is neither yes nor no, nor any of truck, cart, foot.")
            raise ColumnError(text.format(name=name, word=" ".join(sorted(words)))) from None
    if words:
        raise ColumnError(
            _("{name}: '{word}' is none of truck, cart, foot.").format(name=name, word=" ".join(sorted(words - MODES)))
        )
    return frozenset()
