"""Changes by hand, brought to the stations they mean."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from mudcap.geo.units import Units, length_text
from mudcap.lang import _
from mudcap.orchard.model import Finding, Orchard
from mudcap.place.candidates import Candidates
from mudcap.plan.model import Earlier, Edit

SNAP_M: Final = 15.0
"""An edit is taken to the nearest station within this distance; convention: a phone's position is some 5 m off, from memory."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AppliedEdits:
    """Edits as stations, with what could not be done."""

    pinned: NDArray[np.int64]
    """Candidate numbers, ascending."""
    banned: NDArray[np.int64]
    added: dict[int, int] = field(default_factory=dict)
    """Sites beyond the quota, by block index."""
    moved_ids: dict[int, str] = field(default_factory=dict)
    """site_id that a pinned candidate takes over from the place it moved from."""
    findings: tuple[Finding, ...] = ()


def apply_edits(
    edits: Sequence[Edit], *, candidates: Candidates, orchard: Orchard, earlier: Earlier, units: Units
) -> AppliedEdits:
    """Bring each edit to the nearest free station; one that means no station becomes a warning, never a guess."""
    snap = _Snap(candidates, orchard, earlier, units)
    for edit in edits:
        snap.take(edit)
    return AppliedEdits(
        pinned=np.array(sorted(snap.pinned), np.int64),
        banned=np.array(sorted(snap.banned), np.int64),
        added=snap.added,
        moved_ids=snap.moved_ids,
        findings=tuple(snap.findings),
    )


class _Snap:
    """Gathers the stations of one list of edits."""

    def __init__(self, candidates: Candidates, orchard: Orchard, earlier: Earlier, units: Units) -> None:
        self.candidates, self.orchard, self.units = candidates, orchard, units
        self.tree = cKDTree(candidates.xy) if len(candidates.xy) else None
        self.earlier = {s.site_id: (s.lon, s.lat) for s in earlier.sites}
        self.pinned: set[int] = set()
        self.banned: set[int] = set()
        self.added: dict[int, int] = {}
        self.moved_ids: dict[int, str] = {}
        self.findings: list[Finding] = []

    def take(self, edit: Edit) -> None:
        """Apply one edit, or say why it cannot be."""
        if edit.kind == "ban":
            station = self._station(edit, self._position(edit), taken=set())
            if station is not None:
                self._put(edit, station, self.banned, self.pinned)
            return
        target = self._position(edit) if edit.kind != "move" or edit.lon is not None else None
        if target is None and edit.kind == "move":
            self._say(
                edit, _("the move of {site} says no new position").format(site=edit.site_id or _("a site"))
            )
            return
        if edit.kind == "move" and not self._free_the_old_place(edit):
            return
        station = self._station(edit, target, taken=self.pinned | self.banned)
        if station is None or not self._put(edit, station, self.pinned, self.banned):
            return
        if edit.kind == "add":
            block = int(self.candidates.block[station])
            self.added[block] = self.added.get(block, 0) + 1
        if edit.kind == "move":
            self.moved_ids[station] = edit.site_id

    def _free_the_old_place(self, edit: Edit) -> bool:
        if edit.site_id not in self.earlier:
            self._say(
                edit, _("no earlier plan here has a site {site} to move").format(site=edit.site_id or "''")
            )
            return False
        old = self._station(edit, self.earlier[edit.site_id], taken=set())
        if old is not None:
            self.banned.add(old)
        return old is not None

    def _position(self, edit: Edit) -> tuple[float, float] | None:
        if edit.lon is not None and edit.lat is not None:
            return edit.lon, edit.lat
        return self.earlier.get(edit.site_id)

    def _station(self, edit: Edit, lonlat: tuple[float, float] | None, *, taken: set[int]) -> int | None:
        if lonlat is None:
            self._say(edit, _("it names no position and no site of an earlier plan"))
            return None
        xy = self.orchard.plane.to_plane([lonlat])[0]
        if self.tree is None or not np.isfinite(xy).all():
            self._say(edit, _("there is no station near it"))
            return None
        distance, order = self.tree.query(xy, k=min(16, len(self.candidates.xy)))
        distance, order = np.atleast_1d(distance), np.atleast_1d(order)
        for d, station in zip(distance, order, strict=True):
            if d > SNAP_M:
                break
            if int(station) not in taken:
                return int(station)
        text = _("the nearest station is {d} away, more than {limit}").format(
            d=length_text(float(distance[0]), self.units), limit=length_text(SNAP_M, self.units)
        )
        self._say(edit, text)
        return None

    def _put(self, edit: Edit, station: int, into: set[int], against: set[int]) -> bool:
        if station in against:
            self._say(edit, _("another edit says the contrary of this station"))
            return False
        into.add(station)
        return True

    def _say(self, edit: Edit, why: str) -> None:
        self.findings.append(
            Finding(
                level="warning",
                code="edit_not_used",
                layer=edit.source,
                feature=edit.site_id or edit.note,
                text=_("The {kind} was not used: {why}. Check its position.").format(kind=edit.kind, why=why),
            )
        )
