"""What can hurt, said on every sheet that goes out, and lines for whom to call."""

from __future__ import annotations

from collections.abc import Sequence

from mudcap.draw.scene_parts import Text
from mudcap.draw.sheet_tables import Item, blank_lines, heading, paragraph, together
from mudcap.orchard.model import Block


def crew_cautions(width: float, _: Text) -> list[Item]:
    """Cautions for those who hang, check and fetch shelters, and whom they call: one piece that no page break parts."""
    texts = (
        _("Sprays: stay out until the re-entry interval on the label has passed and the grower says so. The label and "
          "local rules decide, not this sheet. Never hang, check or fetch shelters during spraying."),
        _("Vehicles: one rider on an ATV, helmet, no children; seat belt in a UTV; no riding outside a seat. Look before you step "
          "out of a row. Agree with drivers who is where."),
        _("Stings: mason bees seldom sting, honey bees and wasps do. Know who on the crew is allergic, carry what their "
          "doctor prescribed (such as epinephrine), and call for help at once if someone has trouble breathing."),
        _("Ladders and lifting: three points of contact, firm ground, no ladder under power lines. Lift loads with two."),
        _("Work that needs a licence or a permit (pesticides, moving bees, agricultural burning) is for licensed people. "
          "Where this sheet and the label, the law or the grower differ, follow them."),
    )  # fmt: skip
    names = (_("Grower"), _("Crew lead"), _("Sprayer"), _("Bee supplier"), _("Emergency, and this block's address"))
    return cautions(texts, names, width, _)


def sprayer_cautions(width: float, _: Text) -> list[Item]:
    """Cautions for those who spray, and whom they call; this sheet never permits anything."""
    texts = (
        _("This sheet gives no permission to spray. The product label, the law, local rules and the licensed applicator "
          "decide what may be sprayed here, when, and how far from bees, water and people. Where this sheet and they differ, "
          "follow them."),
        _("Read what the label says about bees and other pollinators before you mix. Ask the grower whether bees are out."),
        _("Shut off the nozzles named here on the side of the row, and look for shelters that are not on this sheet. Spray "
          "drifts: keep to the wind limits of the label."),
        _("Do not move, open or rinse a shelter. Tell the grower before you come and when the re-entry interval ends, so that "
          "the crew stays out."),
        _("Wear what the label asks for. Look out for people on foot: crews walk these rows."),
    )  # fmt: skip
    names = (
        _("Grower"), _("Licensed applicator"), _("Who owns the mason bees"), _("Beekeeper of the honey bees"), _("Poison control"),
        _("Emergency, and this block's address"),
    )  # fmt: skip
    return cautions(texts, names, width, _)


def assumed_for_crew(block: Block, width: float, _: Text) -> list[Item]:
    """Where nobody said how a block's rows run: that its row and tree numbers may be no crew's; [] for known rows."""
    text = _("ROWS ARE ASSUMED: nobody told how they run, so the row and tree numbers may be wrong. Compare them with the orchard "
             "before you hang or look for a shelter by them.")  # fmt: skip
    return _if_assumed(block, text, width)


def assumed_for_sprayer(block: Block, width: float, _: Text) -> list[Item]:
    """The same for those who spray, who may pass a shelter with open nozzles if they trust such numbers."""
    text = _("ROWS ARE ASSUMED: nobody told how they run, so the row and tree numbers below may be wrong. Do not go by them: ask the "
             "grower where the shelters hang, and look for each.")  # fmt: skip
    return _if_assumed(block, text, width)


def _if_assumed(block: Block, text: str, width: float) -> list[Item]:
    is_assumed = block.rows is not None and block.rows.source == "assumed"
    return paragraph(text, width, face="bold", sign="!") if is_assumed else []


def cautions(texts: Sequence[str], names: Sequence[str], width: float, _: Text) -> list[Item]:
    """The texts as a list under their heading, then a line for each name."""
    lines = [line for text in texts for line in paragraph(text, width, sign="!")]
    return together([heading(_("Work safely")), *lines, heading(_("Whom to call")), *blank_lines(names)])
