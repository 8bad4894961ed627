"""What repairs are called in findings, in plain words with acres."""

from __future__ import annotations

from mudcap.geo.rings import Repair
from mudcap.geo.tracks import TrackChange
from mudcap.geo.units import M_PER_FT, acres
from mudcap.lang import _

LOUD = {
    "bow_tie", "double_lap", "self_crossing", "overlapping_holes", "stray_hole", "hole_over_edge", "overlapping_parts",
    "gap", "closing_gap", "wild_points", "past_start", "ring_direction", "closed_line", "unclosed_ring", "short_ring",
}  # fmt: skip
"""Repairs that people should look at before they hang anything; the rest are notes."""


def repair_text(code: str, count: int) -> str:
    """What was done to a drawn ring."""
    texts = {
        "duplicate_points": _("{count} doubled corners were dropped"),
        "spike": _("{count} spikes without area were cut off"),
        "bow_tie": _("the outline crosses itself like a bow-tie; both sides were kept"),
        "double_lap": _("the outline runs round {count} times; only the first lap was kept"),
        "self_crossing": _("the outline crosses itself; {count} loops were cut off or closed up"),
        "touching_ring": _("the outline touches itself; what it winds around was kept"),
        "overlapping_holes": _("holes overlap; the ground was taken out once"),
        "overlapping_parts": _("parts overlap; the ground was counted once"),
        "stray_hole": _("{count} holes lie outside the outline and were dropped"),
        "hole_over_edge": _("a hole runs over the outline; only the inner part was taken out"),
        "sliver": _("{count} slivers were dropped"),
        "thinned": _("{count} corners that change next to nothing were dropped"),
        "unclosed_ring": _("an outline was not closed; it was closed by a straight line"),
        "closed_line": _("a line was taken for the block's outline"),
        "short_ring": _("a ring with fewer than three corners was dropped"),
        "ring_direction": _("a ring runs the wrong way round; it was judged by where it lies"),
    }
    return texts[code].format(count=count)


def track_text(change: TrackChange) -> str:
    """What was done to a walked track, or seen in it."""
    texts = {
        "wild_points": _("{count} wild GPS points were dropped"),
        "standing_still": _("{count} points from standing still were dropped"),
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
