"""Words that the map and the sheet share, in the reader's language."""

from __future__ import annotations

from mudcap.draw.scene import Text
from mudcap.lang import translator
from mudcap.plan.model import Plan


def status_words(plan: Plan, _: Text) -> str:
    """One line that says which blocks are not as asked for; '' for a plain plan."""
    kinds = {"relaxed": _("limits widened"), "fallback": _("FALLBACK LAYOUT"), "no_site": _("no site"),
             "refused": _("refused")}  # fmt: skip
    odd = [
        _("{block}: {status}").format(block=b.block_id, status=kinds[b.status])
        for b in plan.blocks
        if b.status in kinds
    ]
    if not plan.reproducible:
        odd.append(_("search cut short: the best so far"))
    if plan.has_fault:
        odd.append(_("THE CHECK FOUND A FAULT, see report.md"))
    return "; ".join(odd)


def corner_word(corner: str, _: Text) -> str:
    """A corner or point of the compass, 'NW' or the like, as the reader's language abbreviates it."""
    points = ["N", "NE", "E", "SE", "S", "SW", "W", "NW"]
    return dict(zip(points, _("N NE E SE S SW W NW").split(), strict=True)).get(corner, corner)


def map_words(lang: str) -> dict[str, str]:
    """Every word the page itself says."""
    _ = translator(lang)
    return {
        "search": _("Site, block or {example}"),
        "layers": _("Layers"),
        "fit": _("Whole ranch"),
        "here": _("My position"),
        "close": _("Close"),
        "before": _("Site before"),
        "after": _("Next site"),
        "closer": _("Zoom in"),
        "wider": _("Zoom out"),
        "site": _("Site {number}"),
        "address": _("Row {row}, tree {tree}"),
        "cavities": _("Cavities"),
        "females": _("Females"),
        "trees": _("Trees served"),
        "farthest": _("Farthest tree"),
        "walk": _("Walk from vehicle"),
        "mud": _("Clean mud"),
        "no_mud": _("none known"),
        "puddle": _("Puddle"),
        "mark": _("Mark"),
        "pinned": _("pinned by hand"),
        "overrides": _("stands in spite of: {reasons}"),
        "from_you": _("From you"),
        "away": _("{length} to the {point}"),
        "unsure": _("(give or take {length}: it may be another shelter)"),
        "stop": _("stop {order}"),
        "nothing": _("No site found"),
        "nearest_instead": _("No shelter at R{row} T{tree}. Nearest in each block:"),
        "map_name": _("Map of the shelters"),
        "print_note": _("To print, take the PDF files that came with this map: they are to scale."),
        "more": _("… and {count} more: type more"),
        "plan": _("Plan {number}"),
        "excluded": _("No shelter here"),
        "seeking": _("Looking for satellites: this may take a minute. Step out from under the trees."),
        "position_denied": _("No position: this page may not ask for it. Allow it in the browser's settings."),
        "no_position": _("No position: this browser gives none to a page opened from a file."),
        "long_points": _("north northeast east southeast south southwest west northwest"),
        "feet": _("ft"),
        "metres": _("m"),
        "attention": _("Read before hanging"),
        "row": _("Row {number}"),
    }
