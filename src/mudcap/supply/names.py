"""What kit and the steps of the choice of packages are called, in words that can be translated."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from mudcap.lang import joined

Text = Callable[[str], str]


def kit_text(name: str, _: Text) -> str:
    """Words for a thing of the standard kit or a unit; the name itself where the user gave it.

    >>> kit_text("shelter", str), kit_text("Zip tie", str)
    ('shelter', 'Zip tie')
    """
    return {
        "shelter": _("shelter"), "awning": _("awning"), "post": _("post"), "hanger": _("hanger"),
        "anchor": _("anchor"), "wire": _("wire"), "label": _("label"), "piece": _("piece"),
    }.get(name, name)  # fmt: skip


def kit_assumed_text(names: Sequence[str], _: Text) -> str:
    """What is said of kit in the bill that the options do not name."""
    return _(
        "mudcap.toml does not name these, so they stand in the bill of materials as assumed, one for each shelter (labels: for each site): "
        "{names}. What you have goes under [[supply.kit]] with its stock, what you do not use with name = \"{first}\" and each = 0."
    ).format(names=joined(", ", [kit_text(n, _) for n in names]), first=names[0])


def level_text(name: str, _: Text) -> str:
    """Words for what one step of the choice of packages keeps as small as can be."""
    return {
        "short": _("cavities missing"), "mixed": _("sites of two materials"), "bought": _("cavities bought"),
        "surplus": _("cavities beyond the need"), "cost": _("money for what is bought"), "pieces": _("packages"),
    }[name]  # fmt: skip
