"""What repairs are called in findings, in plain words with acres."""

from __future__ import annotations

from mudcap.geo.rings import Repair
from mudcap.geo.tracks import TrackChange
from mudcap.geo.units import M_PER_FT, acres
from mudcap.lang import _, _n

LOUD = {
    "bow_tie", "double_lap", "self_crossing", "overlapping_holes", "stray_hole", "hole_over_edge", "overlapping_parts",
    "gap", "closing_gap", "wild_points", "past_start", "ring_direction", "closed_line", "unclosed_ring", "short_ring",
}  # fmt: skip
"""Repairs that people should look at before they hang anything; the rest are notes."""


def repair_text(code: str, count: int) -> str:
    """What was done to a drawn ring."""
    texts = {
        "duplicate_points": _n("{count} doubled corner was dropped", "{count} doubled corners were dropped", count),
        "spike": _n("{count} spike without area was cut off", "{count} spikes without area were cut off", count),
        "bow_tie": _("the outline crosses itself like a bow-tie; both sides were kept"),
        "double_lap": _("the outline runs round {count} times; only the first lap was kept"),
        "self_crossing": _n("the outline crosses itself; {count} loop was cut off or closed up", "the outline crosses itself; {count} loops were cut off or closed up", count),
        "touching_ring": _("the outline touches itself; what it winds around was kept"),
        "overlapping_holes": _("holes overlap; the ground was taken out once"),
        "overlapping_parts": _("parts overlap; the ground was counted once"),
        "stray_hole": _n("{count} hole lies outside the outline and was dropped", "{count} holes lie outside the outline and were dropped", count),
        "hole_over_edge": _("a hole runs over the outline; only the inner part was taken out"),
        "sliver": _n("{count} sliver was dropped", "{count} slivers were dropped", count),
        "thinned": _n("{count} corner that changes next to nothing was dropped", "{count} corners that change next to nothing were dropped", count),
        "unclosed_ring": _("an outline was not closed; it was closed by a straight line"),
        "closed_line": _("a line was taken for the block's outline"),
        "short_ring": _("a ring with fewer than three corners was dropped"),
        "ring_direction": _("a ring runs the wrong way round; it was judged by where it lies"),
    }
    return texts[code].format(count=count)


def track_text(change: TrackChange) -> str:
    """What was done to a walked track, or seen in it."""
    texts = {
        "wild_points": _n("{count} wild GPS point was dropped", "{count} wild GPS points were dropped", change.count),
        "standing_still": _n("{count} point from standing still was dropped", "{count} points from standing still were dropped", change.count),
        "joined_segments": _("{count} pieces of the track were joined"),
        "gap": _("a gap of {metres:.0f} m ({feet:.0f} ft) in the track was bridged by a straight line"),
        "closing_gap": _("the track ends {metres:.0f} m ({feet:.0f} ft) from its start; closed by a straight line"),
        "past_start": _("the walk ran on {metres:.0f} m ({feet:.0f} ft) past its start; the second stretch was left out"),
    }
    return texts[change.code].format(count=change.count, metres=change.length_m, feet=change.length_m / M_PER_FT)


def with_acres(text: str, repair: Repair) -> str:
    """A repair's text with the acres that it changed."""
    change = acres(repair.area_change_m2)
    if abs(change) < 0.0005:
        return text
    return _("{text} ({change:+.3f} acres)").format(text=text, change=change)
