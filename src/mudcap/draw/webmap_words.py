"""Words and choices of the map's crew mode, rings and imagery, in the reader's language.

The keys of the choices are what a file of checks holds (``files/checks.schema.json``); they are never translated.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from mudcap.lang import translator

IMAGERY: Final[Mapping[str, str | int]] = {
    "address": "https://basemap.nationalmap.gov/arcgis/rest/services/USGSImageryOnly/MapServer/tile/{z}/{y}/{x}",
    "credit": "U.S. Geological Survey, The National Map",
    "zoom": 16,
}
"""Imagery offered first: public domain, United States only; asked for nothing until a user ticks it.

References: USGS The National Map services, basemap.nationalmap.gov (works of the U.S. government, 17 U.S.C. § 105).
"""


def check_choices(lang: str) -> dict[str, list[list[str]]]:
    """What can be ticked for a site: pairs of the key in the file and the word on the page."""
    _ = translator(lang)
    return {
        "states": [
            ["hung", _("Hung")], ["checked", _("Checked")], ["fetched", _("Fetched in")],
            ["not_found", _("Not found")], ["not_reached", _("Not reached")],
        ],
        "predators": [
            ["ants", _("Ants")], ["wasps", _("Wasps or parasites")], ["birds", _("Birds")], ["rodents", _("Mice or rats")],
            ["spiders", _("Spiders")], ["other", _("Other animals")],
        ],
        "damage": [
            ["fallen", _("Fallen")], ["loose", _("Loose")], ["broken", _("Broken")], ["wet", _("Wet")],
            ["tubes_lost", _("Tubes lost")], ["other", _("Other damage")],
        ],
    }  # fmt: skip


def check_words(lang: str) -> dict[str, str]:
    """Every word of crew mode, rings and imagery."""
    _ = translator(lang)
    return {
        "checks": _("Checks"),
        "facts": _("About this site"),
        "state": _("State of the shelter"),
        "capped": _("Capped cavities (leave empty if not counted)"),
        "cavities_here": _("{count} cavities are planned here."),
        "fewer_capped": _("{count} capped cavity less"),
        "more_capped": _("{count} more capped cavities"),
        "capped_count": _("{count} capped"),
        "predators": _("Predators and parasites seen"),
        "damage": _("Damage"),
        "note": _("Note"),
        "save_check": _("Save this check"),
        "choose_state": _("Choose the state of the shelter first."),
        "whole_count": _("Capped cavities: a whole number from 0 to 9999, or nothing."),
        "last_check": _("Last check {time}, crew {crew}: {words}"),
        "no_check": _("Nothing noted here yet."),
        "not_saved_yet": _("What is filled in below is not saved yet."),
        "is_unsaved": _("Site {number} of {block} is filled in and not saved."),
        "save_and_go": _("Save it, then go on"),
        "leave_unsaved": _("Go on without saving"),
        "drafts": _("filled in, not saved: {count}"),
        "drafts_left": _("Filled in, not saved and so not in the file: {sites}."),
        "take_back": _("Take it back"),
        "next_to_check": _("Next: site {number}"),
        "round_count": _("Noted: {noted} of {sites}; not in a file yet: {open}"),
        "hand_over": _("Hand over"),
        "crew_name": _("Crew or name"),
        "save_file": _("Save to a file"),
        "as_text": _("Show as text"),
        "add_file": _("Add another crew's file"),
        "leave": _("Leave the checks"),
        "later": _("Later"),
        "offer": _("Checks that are only in this browser: {count}. Save them to a file now: a phone may clear what a page keeps."),
        "copy_this": _("Copy all of this and send it on."),
        "copy": _("Copy"),
        "copied": _("Copied."),
        "not_copied": _("This browser does not copy. Press long on the text, then choose all of it."),
        "file_written": _("Checks saved to {file}: {count}. Look for it in your downloads before you rely on it."),
        "not_taken": _("{file}: nothing was taken. {why}"),
        "no_checks_file": _("This is no file of checks."),
        "other_plan": _("It belongs to plan {theirs}, this map to plan {ours}. Open the map of that plan to add it."),
        "bad_check": _("Check {number} in it is damaged or of a site that this map does not have."),
        "merged": _("{file}: checks added: {added}. Sites that both had noted differently: {clashes}."),
        "clash": _("Site {number} ({site}). Ours: {ours}. Theirs: {theirs}. The newer one counts: {kept}."),
        "ours": _("ours"),
        "theirs": _("theirs"),
        "elsewhere": _("This browser also holds checks of plan {plan} that are in no file yet: {count}. Open the map of that plan and save them."),
        "unread": _("Stored checks that cannot be read and were left as they are: {count}."),
        "storage_broken": _(
            "THIS BROWSER KEEPS NOTHING (private window, or its storage is full or switched off). "
            "Checks are lost when the page closes: save them to a file often."
        ),
        "round_help": _(
            "Checks stay in this browser on this device, with this device's date and time. "
            "Save them to a file and hand it over; of two crews' checks of one site the newer one counts, and both stay in the file."
        ),
        "rings": _("Distance rings round the chosen site"),
        "photo": _("Picture from the air"),
        "imagery": _("Imagery from the network (needs signal)"),
        "imagery_help": _("When ticked, this device asks the server below for pictures of this place, which tells it where you look."),
        "imagery_address": _("Address of the pictures"),
        "imagery_form": _("The address must begin with https:// and hold {z}, {x} and {y}."),
        "imagery_failed": _("Some pictures did not come: no signal, or the server has none here."),
    }
