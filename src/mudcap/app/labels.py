"""`mudcap labels`: a label for each shelter, on sheets of labels."""

from __future__ import annotations

import json
import os
import re
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from mudcap.app.console import Console, tell
from mudcap.app.planned import plan_folder, telling_options
from mudcap.errors import InputError
from mudcap.lang import LANGUAGES, _, choose_language, languages

if TYPE_CHECKING:
    from mudcap.draw.tags_stock import Stock
    from mudcap.geo.units import Units
    from mudcap.plan.picking import Pick

EPILOG = """\b
Examples:
  mudcap labels ranch                                   every site, on the usual sheet
  mudcap labels ranch --stock a4-3x7 --skip 5           five labels of the first sheet are gone
  mudcap labels ranch --block "North 40" --site CRK0012
  mudcap labels ranch --page letter --grid 2x4 --label "3.75x2.25in" --margin "0.4x0.6in" --gap "0.2x0in"

\b
Sheets by name: letter-2x3, letter-2x5, letter-2x7, letter-3x10, letter-4x20, a4-2x4, a4-2x7, a4-3x7, a4-3x8, a4-5x13
(page, columns x rows). Print at 100 %; try one sheet on plain paper with --frames first.
"""
USUAL: Final = {"us": "letter-3x10", "metric": "a4-3x7"}
PAGES: Final = ("letter", "tabloid", "a4", "a3")


class Pair(click.ParamType):  # type: ignore[type-arg]  # generic only in newer click
    """Two lengths with their unit, as 63.5x38.1mm or 2.625x1in."""

    name = "pair"

    def convert(self, value: Any, param: click.Parameter | None, context: click.Context | None) -> tuple[float, float]:
        """Both in millimetres."""
        number = r"(\d+(?:\.\d+)?)"
        match = re.fullmatch(rf"\s*{number}\s*[x×]\s*{number}\s*(mm|cm|in)\s*", str(value).lower())
        if not match:
            self.fail(f"'{value}': write width x height with the unit, such as 63.5x38.1mm or 2.625x1in.", param, context)
        scale = {"mm": 1.0, "cm": 10.0, "in": 25.4}[match[3]]
        return float(match[1]) * scale, float(match[2]) * scale


class Grid(click.ParamType):  # type: ignore[type-arg]  # generic only in newer click
    """Columns and rows, as 3x10."""

    name = "grid"

    def convert(self, value: Any, param: click.Parameter | None, context: click.Context | None) -> tuple[int, int]:
        """(columns, rows)."""
        match = re.fullmatch(r"\s*(\d{1,2})\s*[x×]\s*(\d{1,2})\s*", str(value).lower())
        if not match:
            self.fail(f"'{value}': write columns x rows, such as 3x10.", param, context)
        return int(match[1]), int(match[2])


@click.command(epilog=EPILOG)
@click.argument("ranch", type=click.Path(path_type=Path))
@click.option("--stock", metavar="NAME", help="Sheet of labels by name, such as a4-3x7 [letter-3x10; metric: a4-3x7].")
@click.option("--page", type=click.Choice(PAGES), help="Paper of a sheet with dimensions of its own [letter].")
@click.option("--grid", type=Grid(), metavar="CxR", help="Columns and rows of a sheet with dimensions of its own.")
@click.option("--label", type=Pair(), metavar="WxHmm|in", help="Width and height of its labels, such as 63.5x38.1mm.")
@click.option("--margin", type=Pair(), metavar="LxTmm|in", help="Left and top margin of its first label [centred].")
@click.option("--gap", type=Pair(), metavar="XxYmm|in", help="Gaps between its columns and between its rows [0x0mm].")
@click.option("--block", "blocks", multiple=True, metavar="NAME", help="Only the sites of this block; may be repeated.")
@click.option("--site", "sites", multiple=True, metavar="ID", help="Only this site, such as CRK0012; may be repeated.")
@click.option("--skip", type=click.IntRange(min=0), default=0, help="Labels of the first sheet that are gone already [0].")
@click.option("--frames", is_flag=True, help="Draw each label's edge, to try a sheet or to cut plain paper by.")
@telling_options
def labels(
    ranch: Path, stock: str | None, page: str | None, grid: tuple[int, int] | None, label: tuple[float, float] | None,
    margin: tuple[float, float] | None, gap: tuple[float, float] | None, blocks: tuple[str, ...], sites: tuple[str, ...],
    skip: int, frames: bool, out: Path | None, lang: str, as_json: bool, quiet: bool, debug: bool,
) -> int:  # fmt: skip
    """Write labels.pdf beside the plan of RANCH: block, address, number, cavities, facing and a code to scan for each site.

    The labels come in the order of the pick-list. The code opens the place on a phone's map and names the site.
    """
    choose_language(lang)
    from mudcap.draw.tags import tags
    from mudcap.files.atomic import locked, staged, write_file
    from mudcap.files.outputs import LABELS_FILE, PLAN_FILE, named
    from mudcap.files.plan_sites import read_plan_sites

    console = Console(is_quiet=quiet or as_json)
    folder = plan_folder(ranch, out)
    found = read_plan_sites(folder / PLAN_FILE)
    wanted = _chosen(found.sites, blocks, sites)
    first, *others = languages(lang)
    try:
        sheet = _stock(stock, found.units, page, grid, label, margin, gap)
        with console.timed("draw", _("drawing labels")):
            made = {
                LABELS_FILE if language == first else named(LABELS_FILE, language): tags(
                    wanted, sheet, plan_number=found.number, title=found.ranch, skip=skip, frames=frames, lang=language
                )
                for language in (first, *others)
            }
    except ValueError as error:
        raise click.UsageError(str(error)) from error
    names = (LABELS_FILE, *(named(LABELS_FILE, language) for language in LANGUAGES[1:]))
    with locked(folder) as lock, staged(lock, names) as stage:
        for name, content in made.items():
            write_file(stage / name, content)
    sheets = -(-(skip + len(wanted)) // sheet.count)
    if as_json:
        facts = {
            "schema": "mudcap.labels/1", "file": os.fspath(folder / LABELS_FILE), "files": [os.fspath(folder / name) for name in made], "plan": found.number, "labels": len(wanted),
            "sheets": sheets, "stock": sheet.text, "seconds": console.seconds,
        }  # fmt: skip
        tell(json.dumps(facts, ensure_ascii=False, indent=1))
    elif not quiet:
        text = _("{file}: labels {labels}, sheets {sheets} ({stock}). Print at 100 %, and try one sheet on plain paper first.")
        tell(text.format(file=", ".join(str(folder / name) for name in made), labels=len(wanted), sheets=sheets, stock=sheet.text))
    return 0


def _chosen(found: Sequence[Pick], blocks: Sequence[str], sites: Sequence[str]) -> list[Pick]:
    """Sites of the blocks and the single ones; all where neither is given. Raises ``UsageError`` for a name nobody has."""
    names = {p.block_id for p in found}
    ids = {p.site_id for p in found}
    for name in blocks:
        if name not in names:
            text = _("--block {name}: the plan has no such block; there are {known}.")
            raise click.UsageError(text.format(name=name, known=", ".join(sorted(names)[:20]) or "–"))
    wanted = {s.upper() for s in sites}
    for name in sorted(wanted - ids):
        raise click.UsageError(_("--site {name}: the plan has no such site.").format(name=name))
    if not blocks and not wanted:
        chosen = list(found)
    else:
        chosen = [p for p in found if p.block_id in blocks or p.site_id in wanted]
    if not chosen:
        raise InputError(_("the plan has no site, so there is nothing to label."))
    return chosen


def _stock(
    name: str | None, units: Units, page: str | None, grid: tuple[int, int] | None, label: tuple[float, float] | None,
    margin: tuple[float, float] | None, gap: tuple[float, float] | None,
) -> Stock:  # fmt: skip
    """The sheet as named, or by its own dimensions. ``ValueError`` where they do not fit, ``UsageError`` where one lacks."""
    from mudcap.draw.tags_stock import STOCKS, Stock, centred

    if grid is None and label is None:
        if page or margin or gap:
            raise click.UsageError(_("a sheet with dimensions of its own needs --grid and --label."))
        chosen = name or USUAL[units]
        if chosen not in STOCKS:
            raise click.UsageError(
                _("--stock {name}: there is none of that name; there are {known}. Or give --grid and --label.").format(
                    name=chosen, known=", ".join(STOCKS)
                )
            )
        return STOCKS[chosen]
    if grid is None or label is None or name is not None:
        raise click.UsageError(_("a sheet with dimensions of its own needs --grid and --label, and no --stock."))
    across, down = gap or (0.0, 0.0)
    if margin is None:
        return centred(page=page or "letter", columns=grid[0], rows=grid[1], width_mm=label[0], height_mm=label[1],
                       gap_x_mm=across, gap_y_mm=down)  # fmt: skip
    return Stock(page=page or "letter", columns=grid[0], rows=grid[1], width_mm=label[0], height_mm=label[1], left_mm=margin[0],
                 top_mm=margin[1], gap_x_mm=across, gap_y_mm=down)  # fmt: skip
