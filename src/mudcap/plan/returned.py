"""What a filled-in pick-list says against the plan that it was made from."""

from __future__ import annotations

import math
import re
import unicodedata
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import Final, Literal

from mudcap.lang import _
from mudcap.plan.picking import Pick

DifferenceKind = Literal[
    "other_plan", "unknown_site", "duplicate", "changed", "unclear", "missing", "not_hung", "not_stocked", "other_cavities", "other_packages",
]  # fmt: skip
NOT_TRUSTED: Final[frozenset[DifferenceKind]] = frozenset({"unknown_site", "duplicate", "changed", "unclear"})
"""Lines that do not say what was done, until somebody has looked at them."""
NOT_AS_PLANNED: Final[frozenset[DifferenceKind]] = frozenset({"missing", "not_hung", "not_stocked", "other_cavities", "other_packages"})
"""Sound lines, but the orchard is not as the plan says."""
_TICKS: Final = frozenset({
    "x", "1", "y", "yes", "true", "done", "ok", "v", "s", "si", "verdadero", "hecho", "listo", "☑", "☒", "✓", "✔", "✗", "✘", "✕", "✖", "×", "√", "■", "☓",
})  # fmt: skip
_NO_TICKS: Final = frozenset({"", "0", "n", "no", "false", "falso", "☐", "□", "-", "–", "—"})
_LOADS: Final = ("load", "place_in_load")
_COUNTS: Final = ("number", "row", "tree", "cavities", "females", "males", *_LOADS)


@dataclass(frozen=True, slots=True, kw_only=True)
class ReturnedLine:
    """One line of a list that came back."""

    where: str
    """Sheet and row, or line, for messages."""
    cells: Mapping[str, str]
    """Text as it stands there by our column names; a column that the list lacks is left out."""
    heads: Mapping[str, str] = field(default_factory=dict)
    """What the list itself calls a column of ours."""

    def head(self, column: str) -> str:
        """A column's name for messages."""
        return self.heads.get(column, column)


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """One thing in which the list differs from the plan."""

    kind: DifferenceKind
    site_id: str
    where: str
    column: str
    planned: str
    found: str
    text: str
    """A sentence."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Returned:
    """What came back."""

    sites: int
    """Lines of sites in the list."""
    hung: int
    """Sites of the plan that are ticked as hung."""
    stocked: int
    differences: tuple[Difference, ...]

    @property
    def counts(self) -> dict[str, int]:
        """Differences by kind."""
        return dict(Counter(d.kind for d in self.differences))


def returned(planned: Sequence[Pick], number: str, lines: Sequence[ReturnedLine], *, is_part: bool = False) -> Returned:
    """Compare a list with the plan of that number; `is_part`: sites that are not in the list are no difference."""
    known = {p.site_id: p for p in planned}
    mangled = _mangled(known)
    found: list[Difference] = list(_other_plan(number, lines))
    own: dict[str, list[ReturnedLine]] = {}
    for line in lines:
        name = _folded(line.cells.get("site_id", "")).upper()
        pick = known.get(name) or known.get(mangled.get(_as_number(name), ""))
        if pick is None:
            found.append(_unknown(line))
        else:
            own.setdefault(pick.site_id, []).append(line)
    done = {"hung": 0, "stocked": 0}
    for site_id, same in own.items():
        pick = known[site_id]
        # of two lines with one name the one that agrees with the plan is the site's; the other's name was altered
        used = min(same, key=partial(_num_changed, pick))
        found += [_duplicate(pick, line, used) for line in same if line is not used]
        found += _changed(pick, used)
        found += _done(pick, used, done)
    if not is_part:
        found += [_missing(p) for p in planned if p.site_id not in own]
    return Returned(sites=len(lines), hung=done["hung"], stocked=done["stocked"], differences=tuple(found))


def _difference(
    kind: DifferenceKind, site_id: str, line: ReturnedLine | None, text: str, *, column: str = "", planned: str = "", found: str = ""
) -> Difference:
    where = line.where if line else ""
    return Difference(kind=kind, site_id=site_id, where=where, column=column, planned=planned, found=found,
                      text=f"{where}: {text}" if where else text)  # fmt: skip


def _other_plan(number: str, lines: Iterable[ReturnedLine]) -> Iterator[Difference]:
    others = Counter(p for line in lines if (p := _folded(line.cells.get("plan", ""))) and not _equal(p, number))
    for other, count in sorted(others.items()):
        text = _("the list (or {count} lines of it) is of plan {other}, here lies plan {number}; sites are compared by their names.")
        yield _difference("other_plan", "", None, text.format(count=count, other=other, number=number), column="plan", planned=number, found=other)


def _unknown(line: ReturnedLine) -> Difference:
    name = line.cells.get("site_id", "")
    text = _("the plan has no site {site}.").format(site=name) if name else _("something is filled in, but the site's name is missing.")
    return _difference("unknown_site", name, line, text, column="site_id", found=name)


def _duplicate(pick: Pick, line: ReturnedLine, used: ReturnedLine) -> Difference:
    text = _("site {site} stands in the list twice; this line is not used, but the one at {used}.")
    return _difference("duplicate", pick.site_id, line, text.format(site=pick.site_id, used=used.where), column="site_id")


def _missing(pick: Pick) -> Difference:
    text = _("site {site} (block {block}, {address}) is not in the list.")
    return _difference("missing", pick.site_id, None, text.format(site=pick.site_id, block=pick.block_id, address=pick.address))


def _changed(pick: Pick, line: ReturnedLine) -> Iterator[Difference]:
    """Cells of the plan that somebody has altered; an emptied one too, but not a column that was taken out."""
    # a hanging round's own list has other loads than the plan's
    is_round = "crew" in line.cells and "day" in line.cells
    for column, planned in _planned_cells(pick):
        given = line.cells.get(column)
        if given is None or _same(column, planned, given) or (is_round and column in _LOADS):
            continue
        text = _("site {site}: {column} was {planned} in the plan and is {found} in the list.").format(
            site=pick.site_id, column=line.head(column), planned=planned or "–", found=given or "–"
        )
        kind: DifferenceKind = "other_packages" if column == "take" else "changed"
        yield _difference(kind, pick.site_id, line, text, column=column, planned=planned, found=given)


def _num_changed(pick: Pick, line: ReturnedLine) -> int:
    return sum(1 for _d in _changed(pick, line))


def _planned_cells(pick: Pick) -> Iterator[tuple[str, str]]:
    values = {
        "number": pick.number, "row": pick.row, "tree": pick.tree, "cavities": pick.cavities, "females": pick.females,
        "males": pick.males, "load": pick.load, "place_in_load": pick.place_in_load,
    }  # fmt: skip
    for column in _COUNTS:
        empty_for_none = column in _LOADS and not values[column]
        yield column, "" if empty_for_none else str(values[column])
    yield "block", pick.block_id
    yield "address", pick.address
    yield "take", pick.take
    yield "lat", f"{pick.lat:.7f}"
    yield "lon", f"{pick.lon:.7f}"


def _same(column: str, planned: str, given: str) -> bool:
    if column in _COUNTS:
        return whole_number(given) == whole_number(planned) and bool(given.strip()) == bool(planned)
    if column in ("lat", "lon"):
        value = _decimal(given)
        return value is not None and abs(value - float(planned)) < 1e-6
    return _equal(_plain(planned), _plain(given))


def _equal(a: str, b: str) -> bool:
    """The same text, or the same number where a spreadsheet took it for one."""
    return a == b or (_as_number(a) != "" and _as_number(a) == _as_number(b))


def _done(pick: Pick, line: ReturnedLine, done: dict[str, int]) -> Iterator[Difference]:
    """What was ticked, and how many cavities were hung where that was filled in."""
    where = _("block {block}, {address}").format(block=pick.block_id, address=pick.address)
    hung, stocked = (ticked(line.cells.get(c, "")) for c in ("hung", "stocked"))
    for column, state in (("hung", hung), ("stocked", stocked)):
        if state is None:
            word = line.cells.get(column, "")
            text = _("site {site}: '{word}' under {column} is neither a tick nor empty.").format(site=pick.site_id, word=word, column=line.head(column))
            yield _difference("unclear", pick.site_id, line, text, column=column, found=word)
        done[column] += state is True
    if hung is False:
        text = _("site {site} ({where}) is not hung.") if stocked is not True else _("site {site} ({where}) is ticked as stocked, but not as hung.")
        yield _difference("not_hung", pick.site_id, line, text.format(site=pick.site_id, where=where), column="hung")
    elif hung and stocked is False and "stocked" in line.cells:
        text = _("site {site} ({where}) is hung, but not stocked.").format(site=pick.site_id, where=where)
        yield _difference("not_stocked", pick.site_id, line, text, column="stocked")
    yield from _other_cavities(pick, line)


def _other_cavities(pick: Pick, line: ReturnedLine) -> Iterator[Difference]:
    given = line.cells.get("cavities_hung", "").strip()
    if not given:
        return
    count = whole_number(given)
    if count is None:
        text = _("site {site}: '{word}' is no number of cavities.").format(site=pick.site_id, word=given)
        yield _difference("unclear", pick.site_id, line, text, column="cavities_hung", found=given)
    elif count not in (pick.cavities, pick.packed):
        text = _("site {site}: {found} cavities were hung, {planned} were planned.")
        yield _difference("other_cavities", pick.site_id, line, text.format(site=pick.site_id, found=count, planned=pick.cavities),
                          column="cavities_hung", planned=str(pick.cavities), found=str(count))  # fmt: skip


def ticked(text: str) -> bool | None:
    """True for a tick, False for an empty box, None where it is neither.

    >>> ticked("☑"), ticked("Sí"), ticked("☐"), ticked(" "), ticked("perhaps")
    (True, True, False, False, None)
    """
    word = _folded(text).casefold().strip(". !")
    word = word.removesuffix(".0") if re.fullmatch(r"[01]\.0", word) else word
    plain = "".join(c for c in unicodedata.normalize("NFKD", word) if not unicodedata.combining(c) and c != "\ufe0f" and c != "\ufe0e")
    if plain in _TICKS:
        return True
    return False if plain in _NO_TICKS else None


def whole_number(text: str) -> int | None:
    """A count as people and programs write it; None where it is none.

    >>> whole_number("1,200"), whole_number("12.0"), whole_number("1 200"), whole_number("12,5"), whole_number("twelve")
    (1200, 12, 1200, None, None)
    """
    word = re.sub(r"[\s\u00a0\u202f']", "", _folded(text))
    if re.fullmatch(r"\d{1,3}([.,]\d{3})+", word):
        word = re.sub(r"[.,]", "", word)
    match = re.fullmatch(r"(\d{1,9})(?:[.,]0*)?", word, re.ASCII)
    return int(match[1]) if match else None


def _decimal(text: str) -> float | None:
    word = _folded(text).replace(",", ".")
    return float(word) if re.fullmatch(r"[-+]?\d{1,6}(\.\d{1,20})?", word, re.ASCII) else None


def _folded(text: str) -> str:
    """One line, full-width signs and odd blanks made plain, the apostrophe that guards a text from a spreadsheet taken off."""
    return " ".join(unicodedata.normalize("NFKC", text).split()).removeprefix("'")


def _plain(text: str) -> str:
    """For comparing texts: whoever saved the list may have changed blanks, case, the sign of times and guarding apostrophes."""
    word = _folded(text.replace("'", "")).casefold().replace("×", "x")
    return re.sub(r"\s*([;x,])\s*", r"\1", word)


def _as_number(text: str) -> str:
    """What a spreadsheet makes of a name that looks like a number ('0120012', '1E00012'); '' where it does not."""
    if not re.fullmatch(r"\d{1,15}(\.\d{1,15})?(E[-+]?\d{1,8})?", text.upper(), re.ASCII):
        return ""
    value = float(text)
    return f"{value:.12g}" if math.isfinite(value) else ""


def _mangled(known: Iterable[str]) -> dict[str, str]:
    """Sites by what a spreadsheet would have made of their names, where that is one site only."""
    made: dict[str, list[str]] = {}
    for name in known:
        key = _as_number(name)
        if key:
            made.setdefault(key, []).append(name)
    return {key: names[0] for key, names in made.items() if len(names) == 1}
