"""`mudcap look`: read the files and say what is in them and what is wrong with them. Nothing is written."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import click

from mudcap.app.console import Console, finding_line, tell
from mudcap.app.options import reading_options
from mudcap.app.reading import ReadingChoices, open_spec, read
from mudcap.lang import _, _n

if TYPE_CHECKING:
    from mudcap.orchard.model import Finding, Orchard
    from mudcap.plan.model import Params

EPILOG = """\b
Examples:
  mudcap look sample_blocks                        a folder with mudcap.toml
  mudcap look north.zip --crs EPSG:2227            one shapefile that names no coordinate system
  mudcap look walk.gpx --json                      for programs
"""


@click.command(epilog=EPILOG)
@reading_options
def look(as_json: bool, quiet: bool, debug: bool, **given: Any) -> int:
    """Read RANCH and report what is in it and what is wrong with it.

    RANCH is a folder (with mudcap.toml, or layer files named by what they hold), or one file of blocks: zipped shapefile,
    GeoPackage, GeoJSON, KML or KMZ, GPX, CSV, NMEA log.
    """
    from mudcap.files.report_json import finding_facts, layer_counts

    choices = ReadingChoices(**given)
    console = Console(is_quiet=quiet or as_json)
    spec = open_spec(choices)
    with console.progress():
        orchard, findings = read(spec, choices, console)
        console.step(_("looking at rows and ways"))
        findings += ground_findings(orchard, spec.params)
    if as_json:
        facts = {
            "schema": "mudcap.look/1",
            "ranch": orchard.name,
            "acres": round(sum(b.acres for b in orchard.blocks), 5),
            "blocks": [{"id": b.block_id, "acres": round(b.acres, 5), "crop": b.crop, "layer": b.layer} for b in orchard.blocks],
            "layers": layer_counts(orchard),
            "findings": [finding_facts(orchard, f) for f in findings],
            "seconds": console.seconds,
        }  # fmt: skip
        tell(json.dumps(facts, ensure_ascii=False, indent=1))
    elif not quiet:
        for line in summary(orchard, findings):
            tell(line)
    return 0


def ground_findings(orchard: Orchard, params: Params) -> tuple[Finding, ...]:
    """What there is to say of rows, access, mud and closures before anything is planned."""
    from mudcap.orchard.checks import check
    from mudcap.orchard.rows import lay_rows

    laid, said = lay_rows(orchard, params.rows, units=params.units)
    checked = check(
        laid, travel=params.travel, clay_share_min=params.mud.clay_share_min, days=params.plan_date, units=params.units
    )
    return (*said, *checked)


def summary(orchard: Orchard, findings: tuple[Finding, ...]) -> list[str]:
    """What was read, block by block and layer by layer, then every finding, the worst first."""
    from mudcap.files.report_json import layer_counts
    from mudcap.orchard.names import crop_text, role_text

    lines = [
        _n(
            "{ranch}: {count} block, {acres:,.2f} acres",
            "{ranch}: {count} blocks, {acres:,.2f} acres",
            len(orchard.blocks),
        ).format(
            ranch=orchard.name, count=len(orchard.blocks), acres=sum(b.acres for b in orchard.blocks)
        )
    ]
    lines += [
        f"  {b.block_id}: {b.acres:,.2f} " + _("acres") + f", {crop_text(b.crop, _)} ({b.layer})" for b in orchard.blocks
    ]
    counts = {role: count for role, count in layer_counts(orchard).items() if count and role != "blocks"}
    if counts:
        lines.append(
            _("Besides: {layers}").format(
                layers=", ".join(f"{role_text(role, _)} {count:,}" for role, count in counts.items())
            )
        )
    order = {"error": 0, "warning": 1, "note": 2}
    lines += [finding_line(f) for f in sorted(findings, key=lambda f: order[f.level])]
    return lines
