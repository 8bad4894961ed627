"""What the pages of a crew sheet say: the whole round, a day's instructions with boxes, and the lists that prove it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import get_args

from mudcap.draw.scene import Text
from mudcap.draw.sheet_pen import Pen, fitted, fitting_size, text_width_mm, wrapped
from mudcap.draw.sheet_tables import (
    BODY_PT,
    CELL_PT,
    LINE_MM,
    Item,
    heading,
    paragraph,
    table,
    under_each_page,
)
from mudcap.lang import counted
from mudcap.plan.model import Plan
from mudcap.plan.round_model import CrewDay, Leg, NotVisited, Round, StillWhy, Stop
from mudcap.plan.round_words import (
    cautions,
    clock,
    day_name,
    day_summary,
    finish_text,
    leg_text,
    light_text,
    minutes,
    runs_text,
    sample_text,
    stop_text,
    way_text,
    why_text,
)

STOP_CELLS = 3
"""Boxes to tick side by side where each tells row, tree, side and number."""
PLACE_CELLS = 4
"""Where each tells row and tree."""
ID_PT = 7.0
WHYS: tuple[StillWhy, ...] = get_args(StillWhy)
"""Why a site is not fetched, in the order of the digits that stand for it."""
CELL_MM = 5.6
CLOCK_MM = 13.0


def front_items(plan: Plan, made: Round, width: float, _: Text) -> list[Item]:
    """The round as a whole: days, what it can prove, what is left, what had to be assumed, cautions."""
    items = [heading(_("This round")), *paragraph(finish_text(made, _), width)]
    for text in (light_text(made, _), sample_text(made.sample, _, len(made.left)) if made.sample else "", *made.notes):
        items += paragraph(text, width) if text else []
    if made.days:
        items += [heading(_("Crews and days")), *_days_table(plan, made, width, _)]
    if made.left:
        items += [heading(_("Not gone to: {count}").format(count=len(made.left)))]
        flagged = sorted({n.name for n in made.left} & set(made.options.flagged))
        if flagged:
            items += paragraph(_("Flagged, and still not gone to: {names}.").format(names=", ".join(flagged)), width, sign="!", face="bold")
        by_reason: dict[str, dict[str, list[str]]] = {}
        for place in made.left:
            by_reason.setdefault(why_text(place, made, _), {}).setdefault(place.block_id, []).append(place.name)
        for why, blocks in by_reason.items():
            named = "; ".join(f"{block} ({runs_text(names)})" for block, names in blocks.items())
            items += paragraph(f"{why}: {named}", width, sign="!")
    done = sum(n.why == "done" for n in made.not_visited)
    if done:
        items += paragraph(_("Done before this round: {count}.").format(count=done), width)
    return [*items, *cautions_items(made, width, _)]


def _days_table(plan: Plan, made: Round, width: float, _: Text) -> list[Item]:
    heads = (_("Crew"), _("Day"), _("Leaves"), _("Back"), _("Stops"), _("Way"), _("At stops"), _("On the way"), _("At the yard"), _("Waiting"),
             _("Lunch"))  # fmt: skip
    rows = [
        (d.crew, day_name(made.options, d.day, _), clock(d.begin_s), clock(d.end_s), f"{len(d.stops):,}",
         way_text(d.metres, plan.params.units), minutes(d.service_s), minutes(d.moving_s), minutes(d.reload_s), minutes(d.idle_s),
         minutes(d.lunch_s))
        for d in made.days
    ]  # fmt: skip
    items = table(heads, (14, 34, 16, 14, 15, 18, 21, 21, 19, 17, 16), rows)
    for d in made.days:
        told = _("{crew}, {day}: {blocks}").format(crew=d.crew, day=day_name(made.options, d.day, _), blocks=", ".join(d.blocks))
        items += paragraph(told, width)
    return items


def cautions_items(made: Round, width: float, _: Text) -> list[Item]:
    """Cautions for vehicles, stings, sprays and lifting, and whom to call."""
    lines = [line for text in cautions(made.options.task, _) for line in paragraph(text, width, sign="!")]
    calls = [_call(name) for name in (_("Grower"), _("Crew lead"), _("Sprayer"), _("Emergency, and this block's address"))]
    return [heading(_("Work safely")), *lines, *calls]


def _call(name: str) -> Item:
    def draw(pen: Pen, left: float, top: float, width: float) -> None:
        pen.text(left, top - 5.4, name, BODY_PT)
        pen.line([(left + 62, top - 6.0), (left + width, top - 6.0)], width_mm=0.2)

    return Item(height=7.5, draw=draw)


def day_items(plan: Plan, day: CrewDay, width: float, _: Text) -> list[Item]:
    """A crew's day: each leg by the clock, its stops as boxes to tick."""
    items = [heading(_("By the clock")), *paragraph(day_summary(day, plan.params.units, _), width, face="bold")]
    block = ""
    for leg in day.legs:
        if leg.stops and leg.block_id != block and leg.kind == "row":
            block = leg.block_id
            items.append(heading(_("Block {block}").format(block=block)))
        items += leg_items(plan, leg, width, _)
    return items


def leg_items(plan: Plan, leg: Leg, width: float, _: Text) -> list[Item]:
    """One leg: time, sentence, metres and minutes; its boxes below."""
    units = plan.params.units
    text = leg_text(leg, units, _)
    if leg.on_foot:
        text = f"{_('On foot.')} {text}"
    if leg.kind == "row":
        text += f" ({way_text(leg.metres, units)}, {minutes(leg.end_s - leg.begin_s)})"
    lines = wrapped(text, width - CLOCK_MM, BODY_PT)

    def line(words: str, first: bool) -> Item:
        def draw(pen: Pen, left: float, top: float, _width: float) -> None:
            if first:
                pen.text(left, top - 3.4, clock(leg.begin_s), BODY_PT, face="bold")
            pen.text(left + CLOCK_MM, top - 3.4, words, BODY_PT)

        return Item(height=LINE_MM, draw=draw, is_head=bool(leg.stops))

    items = [line(words, k == 0) for k, words in enumerate(lines)]
    return items + _strips([(f"{s.order}", _where(s, _), s.visit.name) for s in leg.stops], CLOCK_MM, STOP_CELLS)


def _where(stop: Stop, _: Text) -> str:
    """Where a stop is, so that nobody need look back for the row: 'R2 T33 right · no. 8'; a puddle's block."""
    visit = stop.visit
    if visit.site < 0:
        return visit.block_id
    return _("R{row} {tree} · no. {number}").format(row=visit.row, tree=stop_text(stop, _), number=visit.number)


def _strips(cells: Sequence[tuple[str, str, str]], indent: float, columns: int) -> list[Item]:
    """Boxes to tick in lines of a few: a number, what, and a name."""

    def strip(own: Sequence[tuple[str, str, str]]) -> Item:
        def draw(pen: Pen, left: float, top: float, width: float) -> None:
            step = (width - indent) / columns
            for k, (number, what, name) in enumerate(own):
                x = left + indent + k * step
                pen.rectangle(x, top - 4.6, 3.6, 3.6, width_mm=0.3)
                pen.text(x + 4.6, top - 4.0, number, BODY_PT, face="bold")
                start = 5.8 + max(text_width_mm(number, BODY_PT, "bold"), 4.0)
                room = step - start - text_width_mm(name, ID_PT) - 3.0
                size = fitting_size(what, room, CELL_PT)
                pen.text(x + start, top - 4.0, fitted(what, room, size), size)
                pen.text(x + step - 2.0, top - 4.0, name, ID_PT, anchor="end", colour="#333333")

        return Item(height=CELL_MM, draw=draw)

    return [strip(cells[k : k + columns]) for k in range(0, len(cells), columns)]


def proof_items(plan: Plan, made: Round, width: float, _: Text) -> list[Item]:
    """Every site of the plan with the crew and day that fetch it, or the reason why none does."""
    when: dict[int, tuple[CrewDay, Stop]] = {s.visit.site: (d, s) for d in made.days for s in d.stops}
    why = {n.site: n for n in made.not_visited}
    left = {n.site for n in made.left}
    rows = []
    for i, site in enumerate(plan.sites):
        if i in when:
            day, stop = when[i]
            said = (f"{_('Crew {name}').format(name=day.crew)}, {day_name(made.options, day.day, _)}", clock(stop.begin_s), "")
        else:
            said = ("", "", _code(why[i], is_left=i in left) if i in why else "–")
        rows.append((site.site_id, site.block_id, str(site.row), str(site.tree), *said, ""))
    total, fetched = len(plan.sites), len(when)
    done = sum(n.why == "done" for n in made.not_visited)
    text = _("{total} sites in the plan: {fetched} fetched in this round, {done} fetched before, {left} left.").format(
        total=total, fetched=fetched, done=done, left=len(left)
    )
    heads = (_("Site"), _("Block"), _("Row"), _("Tree"), _("Fetched by"), _("At"), _("Or why not"), _("in"))
    body = table(heads, (20, 50, 14, 14, 56, 16, 26, 10), rows, boxes=1, bold=frozenset({0, 2, 3, 6}))
    first = [heading(_("No site left behind: tick each shelter as it comes in")), *paragraph(text, width, face="bold")]
    return [*first, *under_each_page(_code_key(made, width, _), body)]


def _code(place: NotVisited, *, is_left: bool) -> str:
    """A digit for the reason, the same in every language; '!' where a shelter stays out."""
    return f"{'! ' if is_left else ''}{1 + WHYS.index(place.why)}"


def _code_key(made: Round, width: float, _: Text) -> list[Item]:
    """What the digits mean that stand in this list."""
    told = {n.why: why_text(n, made, _) for n in made.not_visited}
    codes = [f"{1 + k} {told[why]}" for k, why in enumerate(WHYS) if why in told]
    return paragraph(_("Or why not: {codes}. !: still out.").format(codes="; ".join(codes)), width) if codes else []


def hardware_items(plan: Plan, made: Round, width: float, _: Text) -> list[Item]:
    """Posts and anchors by block and row, to be ticked when they are out of the ground."""
    items = [
        heading(_("Out before shakers run: posts and anchors")),
        *paragraph(
            _("Tick each place when nothing of post, anchor or wire is left in the ground or on the tree. No shaker goes into a "
              "block before its list is ticked to the end and signed."), width,
        ),
    ]  # fmt: skip
    for block in plan.orchard.blocks:
        own = [plan.sites[i] for i in made.hardware if plan.sites[i].block_id == block.block_id]
        if not own:
            continue
        own.sort(key=lambda s: (s.row, s.tree))
        items.append(heading(counted(_, "Block {block}: {count} place", "Block {block}: {count} places", len(own)).format(block=block.block_id, count=len(own))))
        items += _strips([(str(s.number), s.address, s.site_id) for s in own], 0.0, PLACE_CELLS)
        items.append(_call(_("Block {block} is clear (name, date)").format(block=block.block_id)))
    return items
