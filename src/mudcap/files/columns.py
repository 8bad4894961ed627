"""Columns of a layer by our own names: which column is meant, and its text as length, number, date, yes or no."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from functools import lru_cache
from typing import Final

from mudcap.files.names import plain_letters
from mudcap.files.spelled import bearing_in, corner_in, pair_in
from mudcap.geo.units import M_PER_FT, parse_length
from mudcap.lang import _

CORNERS: Final = frozenset({"N", "E", "S", "W", "NE", "NW", "SE", "SW"})
"""Corners of a block from which crews count."""
LENGTHS: Final = ("row_spacing", "tree_spacing", "headland", "width", "swept", "setback")
_SHORT: Final = {
    "rowsp": "row_spacing", "row_sp": "row_spacing", "rowspace": "row_spacing", "treesp": "tree_spacing",
    "tree_sp": "tree_spacing", "headld": "headland", "headl": "headland", "setbk": "setback",
    "rowspacing": "row_spacing", "treespacing": "tree_spacing", "tree_space": "tree_spacing", "row_space": "row_spacing",
    "row_spacin": "row_spacing", "tree_spaci": "tree_spacing",  # cut to a shapefile's ten characters, unit and all
}  # fmt: skip
_ALIASES: Final = {
    "id": ("block_id", "block", "id", "name", "blk", "block_no", "block_name", "bloque", "cuartel", "parcela", "nombre", "label",
           "field", "field_name", "field_id", "field_no"),
    "name": ("name", "label", "title", "nombre", "id", "site_id", "descr"),
    "crop": ("crop", "commodity", "cultivo", "especie"),
    "cultivar": ("cultivar", "variety", "variedad", "var"),
    "bearing": ("bearing", "row_bearing", "row_bearing_deg", "bearing_deg", "rowbearing", "row_brg", "row_bearin", "rumbo",
                "row_direction", "rowdirection", "row_direct", "row_dir", "rowdir", "row_orientation", "row_orient", "roworient",
                "row_azimuth", "rowazimuth", "azimuth", "orientation", "orientacion"),
    "corner": ("corner", "esquina"),
    "trellis": ("trellis", "hedge", "espaldera", "seto"),
    "texture": ("texture", "soil_texture", "textura"),
    "clay": ("clay", "clay_pct", "claytotal_r", "arcilla"),
    "sand": ("sand", "sand_pct", "sandtotal_r", "arena"),
    "silt": ("silt", "silt_pct", "silttotal_r", "limo"),
    "clean": ("clean", "is_clean", "limpio", "limpia"),
    "wet_from": ("wet_from",), "wet_to": ("wet_to",),
    "from": ("from", "first", "start", "desde"), "to": ("to", "last", "end", "until", "hasta"),
    "row": ("row", "row_no", "row_number", "fila", "hilera"),
    "tree": ("tree", "tree_no", "tree_number", "arbol"),
    "weight": ("weight", "peso"),
    "kind": ("kind", "type", "tipo", "reason"),
    "surface": ("surface", "superficie"),
    "oneway": ("oneway", "one_way"),
    "modes": ("modes",),
    "bridge": ("bridge", "culvert", "puente", "alcantarilla"),
    "locked": ("locked", "lock", "candado"),
    "keys": ("keys", "has_key", "crew_key", "llave", "llaves"),
    "closed_from": ("closed_from", "closed_fro", "cerrado_desde", "cerrado_de"),
    "closed_to": ("closed_to", "cerrado_hasta", "cerrado_ha"),
    "passable": ("passable", "passabl", "pasable", "transitable"),
    "order": ("order", "corner_no", "seq", "sequence", "vertex", "orden", "punto"),
    "note": ("note", "notes", "comment", "remarks", "nota"),
    "role": ("role", "rol"),
}  # fmt: skip
_PAIRED: Final = ("spacing", "spacing_ft", "spacing_m", "tree_row_spacing", "planting", "marco")
"""Columns in which both spacings may stand, that of the rows first."""
KNOWN: Final = frozenset(_ALIASES) | frozenset(LENGTHS) | frozenset(f"{n}{s}" for n in LENGTHS for s in ("_m", "_ft"))


def our_name(key: str) -> str:
    """Our name of a column that is written by one of its usual names; the key itself where it is none."""
    if key in KNOWN:
        return key
    return next((ours for ours, names in _ALIASES.items() if key in names), key)


class ColumnError(ValueError):
    """A cell that does not say what its column should."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Columns:
    """How the cells of one layer are looked up: the toml's `fields` first, then the usual names, then its `defaults`."""

    fields: Mapping[str, str] = field(default_factory=dict)
    defaults: Mapping[str, str] = field(default_factory=dict)

    def text(self, row: Mapping[str, str], name: str, *, usual: bool = True) -> str:
        """Text of our column `name` in a row, '' where nothing says it."""
        mapped = self.fields.get(name)
        folded = {_fold(k): v for k, v in row.items()}
        if mapped is not None:
            return folded.get(_fold(mapped), "") or self.defaults.get(name, "")
        if usual:
            for alias in _ALIASES.get(name, (name,)):
                if folded.get(alias):
                    return folded[alias]
        return self.defaults.get(name, "")

    def length_m(self, row: Mapping[str, str], name: str) -> float | None:
        """Metres of our length column `name`: its column with _m or _ft, or a text with its unit; None where not said.

        Raises ``ColumnError`` for a bare number in a column that names no unit, so that feet and metres are never mixed.
        """
        for source in (_lengths(row, self.fields), _lengths(self.defaults, {})):
            found = source.get(name)
            if found:
                return found.metres(name)
        return None

    def spacing_m(self, row: Mapping[str, str], name: str) -> float | None:
        """Metres of a spacing of rows or trees; ``ColumnError`` too where no orchard is planted so."""
        value = self.length_m(row, name)
        if value is None:
            value = self._paired_m(row, name)
        if value is not None and not 0.2 <= value <= 30:
            raise ColumnError(
                _("{name}: {metres:.2f} m ({feet:.1f} ft) is no spacing of trees; is the unit right?").format(
                    name=name, metres=value, feet=value / M_PER_FT
                )
            )
        return value

    def _paired_m(self, row: Mapping[str, str], name: str) -> float | None:
        """Metres of a spacing that a column for both says, such as '22 x 18 ft'; None where there is no such pair."""
        for key in _PAIRED:
            pair = pair_in(self.text(row, key))
            if pair is not None:
                return _Length(pair[name == "tree_spacing"], _split_unit(key)[1]).metres(name)
        return None

    def bearing_deg(self, row: Mapping[str, str]) -> float | None:
        """Direction of the rows as a number or by the compass ('N-S'), 0 ≤ degrees < 360; None where not said."""
        word = self.text(row, "bearing")
        if not word:
            return None
        value = bearing_in(word)
        if value is None:
            raise ColumnError(
                _("bearing: '{word}' is no direction; write degrees from true north, or N-S, E-W, NE-SW and the like.").format(word=word)
            )
        if not -360 <= value <= 360:
            raise ColumnError(_("bearing: {value:g} is no bearing from 0 to 360 degrees.").format(value=value))
        return value % 360

    def corner(self, row: Mapping[str, str]) -> str:
        """Corner of a block from which crews count, such as 'SW'; '' where not said."""
        word = self.text(row, "corner")
        corner = corner_in(word)
        if word and corner not in CORNERS:
            raise ColumnError(_("corner: '{word}' is none of NE, NW, SE, SW (or N, E, S, W).").format(word=corner))
        return corner

    def number(self, row: Mapping[str, str], name: str) -> float | None:
        """Number of our column `name`; None where not said; ``ColumnError`` where it is no number."""
        word = self.text(row, name)
        if not word:
            return None
        try:
            value = float(word.rstrip("%° ").replace(",", "."))
        except ValueError:
            raise ColumnError(_("{name}: '{word}' is no number.").format(name=name, word=word)) from None
        if not abs(value) < 1e9:
            raise ColumnError(_("{name}: '{word}' is no sensible number.").format(name=name, word=word))
        return value

    def flag(self, row: Mapping[str, str], name: str, default: bool) -> bool:
        """Yes or no of our column `name`; `default` where not said."""
        word = plain_letters(self.text(row, name))
        if word in {"yes", "y", "true", "t", "1", "si", "x", "verdadero"} or word in _ALIASES.get(name, ()):
            return True
        if word in {"no", "n", "false", "f", "0", "falso"}:
            return False
        if not word:
            return default
        raise ColumnError(_("{name}: '{word}' is neither yes nor no.").format(name=name, word=word))

    def day(self, row: Mapping[str, str], name: str) -> date | None:
        """Date of our column `name`, written YYYY-MM-DD; None where not said."""
        word = self.text(row, name)
        if not word:
            return None
        match = re.match(r"(\d{4})[-/.](\d{1,2})[-/.](\d{1,2})(?:$|[T ])", word) or re.fullmatch(
            r"(\d{4})(\d\d)(\d\d)", word
        )
        try:
            if match is None:
                raise ValueError
            return date(int(match[1]), int(match[2]), int(match[3]))
        except ValueError:
            raise ColumnError(
                _("{name}: '{word}' is no date; write YYYY-MM-DD.").format(name=name, word=word)
            ) from None


@dataclass(frozen=True, slots=True)
class _Length:
    word: str
    unit: str

    def metres(self, name: str) -> float:
        word = self.word
        try:
            if self.unit:
                value = float(word.replace(",", "."))
                if not 0 <= value < 1e6:
                    raise ValueError
                return value * (M_PER_FT if self.unit == "ft" else 1.0)
            return parse_length(word)
        except ValueError:
            raise ColumnError(
                _("{name}: '{word}' is no length; write its unit (22 ft, 6.7 m) or name the column {name}_ft or {name}_m.").format(
                    name=name, word=word
                )
            ) from None  # fmt: skip


def _lengths(row: Mapping[str, str], fields: Mapping[str, str]) -> dict[str, _Length]:
    """Length columns of a row by our name without unit."""
    out: dict[str, _Length] = {}
    folded = {_fold(k): v for k, v in row.items()}
    for ours, theirs in fields.items():
        base, unit = _split_unit(ours)
        if base in LENGTHS and folded.get(_fold(theirs)):
            out[base] = _Length(folded[_fold(theirs)], unit)
    for key, word in folded.items():
        base, unit = _split_unit(key)
        base = _SHORT.get(base, base)
        if word and base in LENGTHS and base not in out:
            out[base] = _Length(word, unit)
    return out


def _split_unit(key: str) -> tuple[str, str]:
    for unit in ("ft", "m"):
        if key.endswith(f"_{unit}"):
            return key[: -len(unit) - 1], unit
    return key, ""


@lru_cache(maxsize=4096)
def _fold(key: str) -> str:
    return plain_letters(key).replace(" ", "_")
