"""What crops, layers and rules are called, in words that can be translated."""

from __future__ import annotations

from collections.abc import Callable

from mudcap.lang import joined
from mudcap.orchard.model import Exclusion, Role

Text = Callable[[str], str]


def crop_text(crop: str, _: Text) -> str:
    """Words for a crop (or the preset of its name); the name itself where it is not one of these.

    >>> crop_text("almond", str), crop_text("Walnut", str)
    ('almond', 'Walnut')
    """
    return {
        "almond": _("almond"), "cherry": _("cherry"), "pear": _("pear"), "apple": _("apple"), "plum": _("plum"), "other": _("other crop"),
    }.get(crop, crop)  # fmt: skip


def role_text(role: Role | str, _: Text) -> str:
    """Words for the features of a role, many of them."""
    return {
        Role.BLOCKS: _("blocks"), Role.ROADS: _("roads"), Role.ALLEYS: _("alleys"), Role.GATES: _("gates"), Role.YARD: _("yard"),
        Role.SPRAY_LANES: _("spray lanes"), Role.MUD_SOURCES: _("mud sources"), Role.WATER_POINTS: _("water points"),
        Role.DITCHES: _("ditches"), Role.KEEP_OUTS: _("keep-outs"), Role.SOIL: _("soil"), Role.TREES: _("trees"), Role.ROWS: _("rows"),
        Role.FORAGE: _("forage strips"), Role.HIVES: _("honey-bee hives"), Role.HAZARDS: _("hazards"),
        Role.CHEMICAL_STORE: _("chemical stores"), Role.CLOSURES: _("closures"),
    }[Role(role)]  # fmt: skip


def kind_text(kind: str, _: Text) -> str:
    """Words for what a keep-out or hazard is, where it is of a common kind; the user's word where it is not.

    >>> kind_text("Power line", str), kind_text("wash pad", str)
    ('power line', 'wash pad')
    """
    return {
        "hives": _("honey-bee hives"), "hazard": _("hazard"), "chemical store": _("chemical store"), "power line": _("power line"),
        "well": _("well"), "irrigation riser": _("irrigation riser"), "riser": _("irrigation riser"), "pump house": _("pump house"),
        "pump": _("pump"), "pond": _("pond"), "canal": _("canal"), "creek": _("creek"), "ditch": _("ditch"), "tank": _("tank"),
        "house": _("house"), "building": _("building"), "school": _("school"), "fence": _("fence"),
    }.get(kind.strip().lower(), kind)  # fmt: skip


def exclusion_text(flags: int, _: Text) -> str:
    """The reasons of exclusion flags as words, joined by commas; '' for 0."""
    words = {
        Exclusion.SPRAY_LANE: _("spray lane"), Exclusion.KEEP_OUT: _("keep-out"), Exclusion.HIVES: _("honey-bee hives"),
        Exclusion.HAZARD: _("hazard"), Exclusion.CHEMICAL_STORE: _("chemical store"),
        Exclusion.TOO_FAR_TO_WALK: _("too far to walk"), Exclusion.NO_ACCESS: _("no way in"),
        Exclusion.NO_MUD: _("no mud in reach"), Exclusion.BANNED: _("banned by hand"),
        Exclusion.BLOCK_EDGE: _("block edge"), Exclusion.CLOSED: _("closed"),
    }  # fmt: skip
    return joined(", ", [text for flag, text in words.items() if flags & flag])
