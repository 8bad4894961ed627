"""The pick-list on paper: one part a load (or a block, where no loads are planned), with boxes to tick."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from io import BytesIO
from typing import Final

from reportlab.pdfgen.canvas import Canvas

from mudcap.draw.marks import mark
from mudcap.draw.scene import Text
from mudcap.draw.sheet_frame import BAND_MM, PageText, draw_heading
from mudcap.draw.sheet_layout import MARGIN_MM, PAGES_MM
from mudcap.draw.sheet_pen import PT_PER_MM, Pen, face_name, printable
from mudcap.draw.sheet_tables import Item, draw_items, flow, heading, paragraph, table
from mudcap.draw.words import status_words
from mudcap.geo.units import Units, amount_in
from mudcap.lang import counted, translator
from mudcap.plan.hanging import HangList, outing_text
from mudcap.plan.model import Params, Plan
from mudcap.plan.picking import Pick, Sums, Want, by_block, by_load, has_loads, picks, sums, wants

MOST_COLUMNS: Final = 8
"""More kinds of packages than this are written in words of letters instead of a column each."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Part:
    """A load or a block: its own pages and its own entry in the reader's outline."""

    title: str
    items: tuple[Item, ...]


def picklist(plan: Plan, *, page: str = "letter", lang: str = "en", hang: HangList | None = None) -> bytes:
    """The pick-list of the plan, or of a hanging round, as a PDF; `page` as for the sheet. The same bytes for the same plan.

    Raises ``ValueError`` for another page.
    """
    if page not in PAGES_MM:
        raise ValueError(f"page: {page!r} is none of {', '.join(PAGES_MM)}.")
    _ = translator(lang)
    width, height = PAGES_MM[page]
    status = status_words(plan, _)
    band = BAND_MM if status else 0.0
    laid = [(part.title, flow(part.items, width, height, band)) for part in _parts(plan, hang, width - 2 * MARGIN_MM, _)]
    count = sum(len(pages) for _title, pages in laid)
    out = BytesIO()
    size = (width * PT_PER_MM, height * PT_PER_MM)
    canvas = Canvas(out, pagesize=size, invariant=1, pageCompression=1, initialFontName=face_name("plain"), lang=lang)
    ranch = plan.params.ranch or plan.orchard.name or "–"
    canvas.setTitle(printable(_("{ranch}: pick-list").format(ranch=ranch)))
    canvas.setSubject(f"mudcap {plan.number}")
    canvas.setAuthor("")
    canvas.setCreator("mudcap")
    number = 0
    for title, pages in laid:
        canvas.bookmarkPage(f"part-{number}")
        canvas.addOutlineEntry(printable(title), f"part-{number}", 0)
        for items in pages:
            number += 1
            words = PageText(
                title=ranch, number=number, count=count, facts=(),
                subtitle=_("pick-list · {part} · Plan {number}").format(part=title, number=plan.number),
                band=_("Read before hanging: {status}").format(status=status) if status else "",
            )  # fmt: skip
            pen = Pen(canvas)
            draw_heading(pen, width, height, words, _)
            draw_items(pen, items, width, height, band)
            canvas.showPage()
    canvas.save()
    return out.getvalue()


def _parts(plan: Plan, hang: HangList | None, width: float, _: Text) -> list[_Part]:
    found = picks(plan) if hang is None else hang.picks
    letters = {name: mark(k) for k, (name, _count) in enumerate(sums(found).packages)}
    parts = []
    if hang is not None:
        parts += _round_parts(plan, hang, letters, width, _)
    elif has_loads(found):
        loads = by_load(found)
        last = max(load for load, _own in loads)
        for load, own in loads:
            title = _("load {number} of {count}").format(number=load, count=last) if load else _("without a load")
            parts.append(_Part(title=title, items=tuple(_load_items(title, "", own, plan.params, letters, width, _))))
    else:
        for name, own in by_block(found):
            title = _("block {block}").format(block=name)
            parts.append(_Part(title=title, items=tuple(_block_items(title, own, plan.params, letters, width, _))))
    parts.append(_Part(title=_("totals"), items=tuple(_totals(found, letters, width, _))))
    return parts


def _round_parts(plan: Plan, hang: HangList, letters: dict[str, str], width: float, _: Text) -> list[_Part]:
    """One part a load of the round, and one for what no crew comes to."""
    parts = []
    for load, own in by_load(hang.picks):
        if not load:
            title = _("left over")
            parts.append(_Part(title=title, items=tuple(_left_items(title, own, plan.params, letters, width, _))))
            continue
        outing = hang.outing(load)
        title = _("load {number} of {count}, crew {crew}, day {day}").format(
            number=load, count=len(hang.outings), crew=outing.crew, day=outing.day + 1
        )
        said = outing_text(outing, hang.options, _)
        parts.append(_Part(title=title, items=tuple(_load_items(title, said, own, plan.params, letters, width, _))))
    return parts


def _left_items(
    title: str, own: Sequence[Pick], params: Params, letters: dict[str, str], width: float, _: Text
) -> list[Item]:
    text = _("No crew comes to these sites on this round; the crew sheet says why. What they take stays in the yard.")
    first, *rest = _block_items(title, own, params, letters, width, _)
    return [first, *paragraph(text, width), *rest]


def _load_items(
    title: str, said: str, own: Sequence[Pick], params: Params, letters: dict[str, str], width: float, _: Text
) -> list[Item]:
    total = sums(own)
    return [
        heading(_capital(title)),
        *(paragraph(said, width, face="bold") if said else ()),
        *paragraph(_("Load from the top of this list to the bottom: what is hung last goes on first. Hang from the bottom to "
                     "the top. Keep within the vehicle's load limit, and tie the load down."), width),
        *_wants(own, params, letters, _),
        heading(_("Sites in loading order")),
        *_site_table(own, letters, _, in_load=True),
        *_sum_line(total, width, _),
    ]  # fmt: skip


def _block_items(
    title: str, own: Sequence[Pick], params: Params, letters: dict[str, str], width: float, _: Text
) -> list[Item]:
    total = sums(own)
    bring = _wants(own, params, letters, _) if letters or params.supply else []
    return [heading(_capital(title)), *bring, *_site_table(own, letters, _, in_load=False), *_sum_line(total, width, _)]


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _wants(own: Sequence[Pick], params: Params, letters: dict[str, str], _: Text) -> list[Item]:
    heads = (_("Mark"), _("What to bring"), _("How many"), _("on board"))
    things = [in_units(w, params.units) for w in wants(own, params.supply, _)]
    rows = [(letters[w.name] if w.is_package else "", w.name, w.text, "") for w in things]
    return table(heads, (14, 110, 24, 20), rows, boxes=1)


def in_units(thing: Want, units: Units) -> Want:
    """The same with a length in the plan's units."""
    amount, unit = amount_in(thing.amount, thing.unit, units)
    return replace(thing, amount=amount, unit=unit)


def _site_table(own: Sequence[Pick], letters: dict[str, str], _: Text, *, in_load: bool) -> list[Item]:
    """One line a site; the kinds of packages that these sites take have a column each, under their letters.

    `in_load`: the first column says when a site's bag goes on.
    """
    kinds = [name for name, _count in sums(own).packages]
    in_columns = len(kinds) <= MOST_COLUMNS
    several = [(_("Shelters"), 15)] if any(p.shelters != 1 for p in own) else []
    packages = [(letters[name], 9) for name in kinds] if in_columns else [(_("Take"), 44)]
    with_facing = any(p.facing_deg is not None for p in own)
    facing = [(_("Faces"), 15), (_("compass"), 16)] if with_facing else []
    on = [(_("Order"), 10)] if in_load else []
    columns = [
        *on, (_("Block"), 30), (_("No."), 11), (_("Site name"), 20), (_("Row"), 11), (_("Tree"), 11),
        (_("Cavities"), 17), *several, *packages, *facing, (_("packed"), 15), (_("hung"), 13),
    ]  # fmt: skip
    rows = [
        [*([str(pick.place_in_load or "")] if in_load else []), *_site_row(pick, kinds, letters, in_columns=in_columns, with_shelters=bool(several), with_facing=with_facing)]
        for pick in own
    ]  # fmt: skip
    turns = frozenset(k for k in range(len(own) - 1) if own[k].block_id != own[k + 1].block_id)
    bold = frozenset(len(on) + k for k in (1, 3, 4, *range(6, 6 + len(several) + len(packages))))
    return table([c[0] for c in columns], [c[1] for c in columns], rows, boxes=2, bold=bold, rules=turns)


def _site_row(pick: Pick, kinds: Sequence[str], letters: dict[str, str], *, in_columns: bool, with_shelters: bool,
              with_facing: bool) -> list[str]:  # fmt: skip
    count: dict[str, int] = {}
    for name, number in pick.packages:
        count[name] = count.get(name, 0) + number
    words = [f"{n} {letters[name]}" for name, n in count.items()]
    packages = [str(count.get(name, "")) for name in kinds] if in_columns else [", ".join(words)]
    facing = [_degrees(pick.facing_deg), _degrees(pick.compass_deg)] if with_facing else []
    return [
        pick.block_id, str(pick.number), pick.site_id, str(pick.row), str(pick.tree), f"{pick.cavities:,}",
        *([str(pick.shelters)] if with_shelters else []), *packages, *facing, "", "",
    ]  # fmt: skip


def _degrees(value: float | None) -> str:
    return "–" if value is None else f"{round(value) % 360}°"


def _sum_line(total: Sums, width: float, _: Text) -> list[Item]:
    text = counted(
        _,
        "Together: {sites:,} site, {cavities:,} cavities, for {females:,} females and {males:,} males.",
        "Together: {sites:,} sites, {cavities:,} cavities, for {females:,} females and {males:,} males.",
        total.sites,
    )
    words = text.format(sites=total.sites, cavities=total.cavities, females=total.females, males=total.males)
    return [Item(height=1.5, draw=_nothing), *paragraph(words, width, face="bold")]


def _nothing(_pen: Pen, _left: float, _top: float, _width: float) -> None:
    """Room between two parts."""


def _totals(found: Sequence[Pick], letters: dict[str, str], width: float, _: Text) -> list[Item]:
    heads = (_("Block"), _("Sites"), _("Cavities"), _("Females"), _("Males"))
    groups = [(name, sums(own)) for name, own in by_block(found)]
    rows = [
        (name, f"{t.sites:,}", f"{t.cavities:,}", f"{t.females:,}", f"{t.males:,}")
        for name, t in [*groups, (_("Ranch"), sums(found))]
    ]
    items = [heading(_("Totals by block")), *table(heads, (60, 20, 24, 24, 24), rows, rules=frozenset({len(rows) - 2}))]
    if letters:
        every = [(letters[name], name, f"{count:,}") for name, count in sums(found).packages]
        items += [heading(_("Packages in all")), *table((_("Mark"), _("What to bring"), _("How many")), (14, 110, 44), every)]
    return items
