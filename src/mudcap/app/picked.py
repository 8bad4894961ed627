"""`mudcap picked`: a filled-in pick-list comes back, and what differs from the plan is listed."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Iterator
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from mudcap.app.console import tell
from mudcap.app.planned import plan_folder, telling_options
from mudcap.lang import _, choose_language

if TYPE_CHECKING:
    from mudcap.plan.returned import Difference, Returned

EPILOG = """\b
Examples:
  mudcap picked picklist.xlsx                    filled in beside its plan
  mudcap picked crew_two.csv ranch --part        a list of some of the sites only
  mudcap picked crew_two.csv ranch -o maps --json

\b
Exit codes:
  0 hung and stocked as planned    3 lines that need a look (unknown, twice, changed, unclear), or no list
  4 something is not as planned (not hung, not stocked, other counts, missing)
"""
MOST_LINES: Final = 40
"""Differences of one kind that are told one by one; --json has all."""


@click.command(epilog=EPILOG)
@click.argument("file", type=click.Path(path_type=Path))
@click.argument("ranch", type=click.Path(path_type=Path), required=False)
@click.option("--part", is_flag=True, help="The list holds some of the sites only: do not tell the others as missing.")
@telling_options
def picked(file: Path, ranch: Path | None, part: bool, out: Path | None, lang: str, as_json: bool, quiet: bool, debug: bool) -> int:
    """Compare FILE, a pick-list filled in as .xlsx or .csv, with the plan of RANCH [the plan beside FILE]; nothing is written.

    A tick is ☑, x, 1, yes, sí or TRUE. Columns go by their names; more columns, other sheets and another order do no harm.
    """
    choose_language(lang)
    from mudcap.files.outputs import PLAN_FILE
    from mudcap.files.picked import read_picked
    from mudcap.files.plan_sites import read_plan_sites
    from mudcap.plan.returned import returned

    lines = read_picked(file)
    folder = plan_folder(ranch, out, beside=file)
    plan = read_plan_sites(folder / PLAN_FILE)
    found = returned(plan.sites, plan.number, lines, is_part=part)
    code = exit_code(found)
    if as_json:
        facts = {
            "schema": "mudcap.picked/1", "exit_code": code, "file": str(file), "plan": plan.number, "planned": len(plan.sites),
            "sites": found.sites, "hung": found.hung, "stocked": found.stocked, "counts": found.counts,
            "differences": [dataclasses.asdict(d) for d in found.differences],
        }  # fmt: skip
        tell(json.dumps(facts, ensure_ascii=False, indent=1))
    elif not quiet:
        for line in told(found, len(plan.sites)):
            tell(line)
    return code


def exit_code(found: Returned) -> int:
    """3 where a line cannot be trusted, 4 where something is not as planned, else 0."""
    from mudcap.plan.returned import NOT_AS_PLANNED, NOT_TRUSTED

    kinds = set(found.counts)
    return 3 if kinds & NOT_TRUSTED else 4 if kinds & NOT_AS_PLANNED else 0


def told(found: Returned, planned: int) -> Iterator[str]:
    """The sum of it, then the differences by kind, what needs a look first."""
    text = _("Lines in the list: {sites}. Sites in the plan: {planned}, hung {hung}, stocked {stocked}. Differences: {count}.")
    yield text.format(sites=found.sites, planned=planned, hung=found.hung, stocked=found.stocked, count=len(found.differences))
    titles = _titles()
    order = {kind: k for k, kind in enumerate(titles)}
    for kind, group in groupby(sorted(found.differences, key=lambda d: order[d.kind]), key=lambda d: d.kind):
        yield from _of_kind(titles[kind], list(group))


def _of_kind(title: str, own: list[Difference]) -> Iterator[str]:
    yield f"{title} ({len(own)})"
    for difference in own[:MOST_LINES]:
        yield f"  {difference.text}"
    if len(own) > MOST_LINES:
        yield "  " + _("… and {count} more; --json lists all.").format(count=len(own) - MOST_LINES)


def _titles() -> dict[str, str]:
    """Kinds of differences in words, what needs a look first."""
    return {
        "other_plan": _("Of another plan"),
        "unknown_site": _("Unknown sites"),
        "duplicate": _("Twice in the list"),
        "changed": _("Numbers or names of the plan that were changed"),
        "unclear": _("Neither ticked nor empty, or no number"),
        "not_hung": _("Not hung"),
        "not_stocked": _("Hung, not stocked"),
        "other_cavities": _("Other number of cavities"),
        "other_packages": _("Other packages"),
        "missing": _("Not in the list"),
    }
