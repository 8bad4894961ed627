"""What becomes of the sites of a kept plan, in words: what stays, what is taken down and hung, and where nothing stays."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from typing import Final

import numpy as np

from mudcap.geo.units import Units, length_text
from mudcap.lang import _, _n, joined
from mudcap.orchard.model import Finding, Orchard
from mudcap.plan.assign import Assignment
from mudcap.plan.identity import KEPT_PLACE_M, SAME_PLACE_M
from mudcap.plan.model import Earlier, EarlierSite, Site

_CHANGES: Final = 60
"""Sites that are named of one block, given up or new (our choice); the dry run names all."""


def kept_findings(
    earlier: Earlier, made: Assignment, orchard: Orchard, moved: Collection[str], units: Units
) -> tuple[Finding, ...]:
    """How many sites of the earlier plan stay, are moved by hand (``moved``) and are given up, how far the trees they hang from were
    laid elsewhere, and in which blocks none stays."""
    now = {s.site_id: s for s in made.sites}
    kept = [s for s in earlier.sites if s.site_id in now]
    by_hand = sum(s.site_id in moved for s in kept)
    if by_hand:
        text = _("Sites of the kept plan: {before}. Of these stay: {kept}; moved by hand: {moved}; given up: {gone}. New: {new}.")
    else:
        text = _("Sites of the kept plan: {before}. Of these stay: {kept}; given up: {gone}. New: {new}.")
    text = text.format(
        before=f"{len(earlier.sites):,}", kept=f"{len(kept) - by_hand:,}", moved=f"{by_hand:,}",
        gone=f"{len(earlier.sites) - len(kept):,}", new=f"{len(made.sites) - len(kept):,}",
    )  # fmt: skip
    told = [Finding(level="note", code="kept_sites", layer="", feature="", text=text)]
    stay = [s for s in kept if s.site_id not in moved]
    before = orchard.plane.to_plane(np.array([(s.lon, s.lat) for s in stay]).reshape(-1, 2))
    after = np.array([(now[s.site_id].x_m, now[s.site_id].y_m) for s in stay]).reshape(-1, 2)
    off_m = np.hypot(*(after - before).T)
    if (off_m > SAME_PLACE_M).any():
        n = int((off_m > SAME_PLACE_M).sum())
        text = _n(
            "{n} site of the kept plan stands up to {far} from where it was, since trees are laid elsewhere now. It is the same shelter at "
            "the nearest tree: it has to be moved only if its own tree is gone, but row and tree may have other numbers.",
            "{n} sites of the kept plan stand up to {far} from where they were, since trees are laid elsewhere now. They are the same "
            "shelters at the nearest trees: one has to be moved only if its own tree is gone, but rows and trees may have other numbers.",
            n,
        ).format(n=f"{n:,}", far=length_text(float(off_m.max()), units, 1))
        told.append(Finding(level="note", code="kept_beside", layer="", feature="", text=text))
    told += _changed_sites(earlier, made)
    left = sorted({s.block_id for s in earlier.sites} - {s.block_id for s in kept})
    if left:
        text = _(
            "{blocks}: no site of the kept plan stays. A site stays where a tree is within {near} of it, so look at outline, row "
            "bearing and spacings; shelters that hang there are told as given up."
        ).format(blocks=", ".join(left), near=length_text(KEPT_PLACE_M, units, 1))
        told.append(Finding(level="warning", code="kept_none", layer="", feature="", text=text))
    return tuple(told)


def _changed_sites(earlier: Earlier, made: Assignment) -> list[Finding]:
    """What a crew takes down and hangs to get from the kept plan to this one, a note a block."""
    before, now = {s.site_id for s in earlier.sites}, {s.site_id for s in made.sites}
    down, new = _by_block(s for s in earlier.sites if s.site_id not in now), _by_block(s for s in made.sites if s.site_id not in before)
    told = []
    for block in dict.fromkeys([*down, *new]):
        parts = [
            word.format(sites=_listed(own[block]))
            for word, own in ((_("Take down: {sites}."), down), (_("Hang anew: {sites}."), new))
            if block in own
        ]
        told.append(Finding(level="note", code="kept_changes", layer="", feature=block, text=joined(" ", [f"{block}:", *parts])))
    return told


def _by_block(sites: Iterable[EarlierSite | Site]) -> dict[str, list[str]]:
    """Names and addresses of sites by block, in their order."""
    own: dict[str, list[str]] = {}
    for s in sites:
        own.setdefault(s.block_id, []).append(f"{s.site_id} (R{s.row} T{s.tree})" if s.row else s.site_id)
    return own


def _listed(names: Sequence[str]) -> str:
    more = len(names) - _CHANGES
    return ", ".join(names) if more <= 0 else _("{names} and {n} more").format(names=", ".join(names[:_CHANGES]), n=f"{more:,}")
