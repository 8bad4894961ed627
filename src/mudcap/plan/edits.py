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
from mudcap.plan.identity import SAME_PLACE_M, same_places
from mudcap.plan.model import Earlier, Edit, Place

SNAP_M: Final = 15.0
"""An edit is taken to the nearest station within this distance; convention: a phone's position is some 5 m off, from memory."""
FAR_M: Final = 1000.0
"""A position farther than this from every station is not on the ranch; convention."""


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
    left: dict[str, tuple[Place, ...]] = field(default_factory=dict)
    """By site_id, longitude and latitude of places that sites were moved or taken from by hand, in this plan or an earlier one."""
    findings: tuple[Finding, ...] = ()


def apply_edits(
    edits: Sequence[Edit], *, candidates: Candidates, orchard: Orchard, earlier: Earlier, units: Units
) -> AppliedEdits:
    """Bring each edit to the nearest free station; one that means no station becomes a warning, never a guess.

    An edit that an earlier plan has followed already means what it meant there: a site that was moved stays, and what was banned by
    its name stays so.
    """
    snap = _Snap(candidates, orchard, earlier, units)
    for edit in edits:
        snap.take(edit)
    snap.tell_replaced()
    return AppliedEdits(
        pinned=np.array(sorted(snap.pinned), np.int64),
        banned=np.array(sorted(snap.banned | (snap.freed - snap.pinned)), np.int64),
        added=snap.added,
        moved_ids=snap.moved_ids,
        left={site: tuple(places) for site, places in snap.left.items()},
        findings=tuple(snap.findings),
    )


class _Snap:
    """Gathers the stations of one list of edits."""

    def __init__(self, candidates: Candidates, orchard: Orchard, earlier: Earlier, units: Units) -> None:
        self.candidates, self.orchard, self.units = candidates, orchard, units
        self.tree = cKDTree(candidates.xy) if len(candidates.xy) else None
        self.earlier = {s.site_id: (s.lon, s.lat) for s in earlier.sites}
        self.left = {site: list(places) for site, places in earlier.left.items()}
        self.pinned: set[int] = set()
        self.banned: set[int] = set()
        self.freed: set[int] = set()
        """Stations that sites were moved from: nobody's, unless another edit wants them."""
        self.added: dict[int, int] = {}
        self.moved_ids: dict[int, str] = {}
        self.findings: list[Finding] = []

    def take(self, edit: Edit) -> None:
        """Apply one edit, or say why it cannot be."""
        if edit.kind == "ban":
            self._ban(edit)
        elif edit.kind == "move":
            self._move(edit)
        else:
            station = self._station(edit, self._position(edit), taken=self.pinned | self.banned)
            if station is None or not self._put(edit, station, self.pinned, self.banned):
                return
            if edit.kind == "add":
                block = int(self.candidates.block[station])
                self.added[block] = self.added.get(block, 0) + 1

    def _ban(self, edit: Edit) -> None:
        if edit.lon is not None and edit.lat is not None:
            places = [(edit.lon, edit.lat)]
        else:
            places = self.left.get(edit.site_id, [])
            if edit.site_id in self.earlier:
                places = [*places, self.earlier[edit.site_id]]
                self.left[edit.site_id] = places
        if not places:
            self._station(edit, None, taken=set())
        for place in places:
            station = self._station(edit, place, taken=set())
            if station is not None:
                self._put(edit, station, self.banned, self.pinned)

    def _move(self, edit: Edit) -> None:
        """Take the site to its new place; the old one, and those it was moved from before, are left free."""
        site = edit.site_id
        if edit.lon is None or edit.lat is None:
            self._say(edit, _("the move of {site} says no new position").format(site=site or _("a site")))
            return
        if site not in self.earlier:
            self._say(edit, _("no earlier plan here has a site {site} to move").format(site=site or "''"))
            return
        if site in self.moved_ids.values():
            self._say(edit, _("another edit moves {site} already").format(site=site))
            return
        to, taken = (edit.lon, edit.lat), self.pinned | self.banned
        now = self._station(edit, self.earlier[site], taken=set())
        if now is None:
            return
        left = {k: place for place in self.left.get(site, []) if (k := self._nearest(place, set())) is not None}
        if left and self._nearest(to, taken | set(left)) == now:  # it was moved there by an earlier plan
            station: int | None = now
        else:
            station = self._station(edit, to, taken=taken if left else taken | {now})
        if station is None or not self._put(edit, station, self.pinned, self.banned):
            return
        left[now] = self.earlier[site]
        left.pop(station, None)
        self.freed |= set(left)
        self.left[site] = list(left.values())
        self.moved_ids[station] = site

    def tell_replaced(self) -> None:
        """A warning for each site of the earlier plan onto whose place another one is moved."""
        xy = self.orchard.plane.to_plane(np.array(list(self.earlier.values())).reshape(-1, 2))
        stands = dict(zip(same_places(xy, self.candidates.xy, SAME_PLACE_M).tolist(), self.earlier, strict=True))
        for station, site in self.moved_ids.items():
            other = stands.get(station, site)
            if other in self.moved_ids.values():
                continue
            text = _("{site} is moved to where {other} hangs, so {other} is given up. Move {other} too if it shall stay.")
            self.findings.append(
                Finding(level="warning", code="edit_replaces", layer="", feature=other, text=text.format(site=site, other=other))
            )

    def _position(self, edit: Edit) -> tuple[float, float] | None:
        if edit.lon is not None and edit.lat is not None:
            return edit.lon, edit.lat
        return self.earlier.get(edit.site_id)

    def _station(self, edit: Edit, lonlat: Place | None, *, taken: set[int]) -> int | None:
        """The nearest station that is not taken; where there is none within reach, the edit is told as not used."""
        if lonlat is None:
            self._say(edit, _("it names no position and no site of an earlier plan"))
            return None
        station = self._nearest(lonlat, taken)
        if station is not None:
            return station
        xy = self.orchard.plane.to_plane([lonlat])[0]
        if self._is_swapped(lonlat):
            self._say(edit, _("its latitude and longitude look swapped, for the other way round it lies on the ranch"))
            return None
        if self.tree is None or not np.isfinite(xy).all():
            self._say(edit, _("there is no station near it"))
            return None
        text = _("the nearest station is {d} away, more than {limit}").format(
            d=length_text(float(self.tree.query(xy)[0]), self.units), limit=length_text(SNAP_M, self.units)
        )
        self._say(edit, text)
        return None

    def _is_swapped(self, lonlat: Place) -> bool:
        """Whether a place far from every station would lie among them with latitude and longitude the other way round."""
        xy = self.orchard.plane.to_plane([lonlat, lonlat[::-1]])
        if self.tree is None or not np.isfinite(xy[1]).all():
            return False
        is_far = not np.isfinite(xy[0]).all() or float(self.tree.query(xy[0])[0]) > FAR_M
        return is_far and float(self.tree.query(xy[1])[0]) <= FAR_M

    def _nearest(self, lonlat: Place, taken: set[int]) -> int | None:
        xy = self.orchard.plane.to_plane([lonlat])[0]
        if self.tree is None or not np.isfinite(xy).all():
            return None
        distance, order = self.tree.query(xy, k=min(16, len(self.candidates.xy)))
        for d, station in zip(np.atleast_1d(distance), np.atleast_1d(order), strict=True):
            if d <= SNAP_M and int(station) not in taken:
                return int(station)
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
