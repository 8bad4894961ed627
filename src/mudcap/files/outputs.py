"""The names of what a plan writes, apart from the code that writes it: whoever only asks needs no more."""

from __future__ import annotations

from typing import Final

from mudcap.lang import BOTH, LANGUAGES

PLAN_FILE: Final = "plan.gpkg"
RENDERED: Final = ("map.html", "sheet.pdf", "picklist.pdf", "checks.pdf", "contractor.pdf")
"""Outputs that `draw` makes; they come as text or bytes."""
OUTPUTS: Final = (
    *RENDERED, "picklist.csv", "picklist.xlsx", "picklist.json", "sites.gpx", "waypoints.zip", "sites.kmz", "sites.geojson",
    PLAN_FILE, "report.md", "report.json",
)  # fmt: skip
"""Every name that `plan` writes, fixed: no name ever comes from the input. Other files of the folder are left alone."""
IN_EACH_LANGUAGE: Final = (
    "sheet.pdf", "picklist.pdf", "checks.pdf", "contractor.pdf", "picklist.xlsx", "sites.gpx", "waypoints.zip", "sites.kmz",
    "report.md",
)  # fmt: skip
"""Outputs that `--lang both` writes once in each language; `map.html` holds all of them, the rest is for programs."""


def named(name: str, language: str) -> str:
    """The name of a file that stands beside the English one of this name: 'sheet.es.pdf'."""
    stem, dot, ending = name.rpartition(".")
    return name if language == LANGUAGES[0] else f"{stem}.{language}{dot}{ending}"


TRANSLATED: Final = tuple(named(name, language) for language in LANGUAGES[1:] for name in IN_EACH_LANGUAGE)
"""What `plan --lang both` writes besides `OUTPUTS`; a run in one language removes them."""
LABELS_FILE: Final = "labels.pdf"
"""What `labels` writes beside them; `plan` leaves it alone."""


def round_outputs(task: str, choice: str = "en") -> tuple[str, ...]:
    """Names of what a round writes: crew sheets, map, routes for handhelds, and all of it for programs; a hanging round also
    its pick-list. With ``both`` the sheets, routes and lists for people once more in each other language."""
    lists = HANG_LISTS if task == "hang" else ()
    plain = (*(f"round-{task}.{ending}" for ending in ("pdf", "html", "gpx", "json")), *lists)
    others = LANGUAGES[1:] if choice == BOTH else ()
    return plain + tuple(named(name, language) for language in others for name in plain if name.endswith((".pdf", ".gpx", ".xlsx")))


HANG_LISTS: Final = ("picklist-hang.pdf", "picklist-hang.xlsx", "picklist-hang.csv", "picklist-hang.json")
"""The pick-list of a hanging round, by crew, day and load; `plan` leaves it alone."""
