"""The names of what a plan writes, apart from the code that writes it: whoever only asks needs no more."""

from __future__ import annotations

from typing import Final

PLAN_FILE: Final = "plan.gpkg"
RENDERED: Final = ("map.html", "sheet.pdf", "picklist.pdf", "checks.pdf", "contractor.pdf")
"""Outputs that `draw` makes; they come as text or bytes."""
OUTPUTS: Final = (
    *RENDERED, "picklist.csv", "picklist.xlsx", "picklist.json", "sites.gpx", "waypoints.zip", "sites.kmz", "sites.geojson",
    PLAN_FILE, "report.md", "report.json",
)  # fmt: skip
"""Every name that `plan` writes, fixed: no name ever comes from the input. Other files of the folder are left alone."""
LABELS_FILE: Final = "labels.pdf"
"""What `labels` writes beside them; `plan` leaves it alone."""


def round_outputs(task: str) -> tuple[str, ...]:
    """Names of what a round writes: crew sheets, map, routes for handhelds, and all of it for programs."""
    return tuple(f"round-{task}.{ending}" for ending in ("pdf", "html", "gpx", "json"))
