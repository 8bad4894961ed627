"""`mudcap compare`: what more or fewer sites an acre, or fewer driven rows, would change."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from mudcap.app.console import Console, tell
from mudcap.app.interrupt import stoppable
from mudcap.app.options import Folder, Within, cluster_option, reading_options
from mudcap.app.plan import output_folder
from mudcap.app.reading import ReadingChoices, open_spec, read, with_values
from mudcap.geo.units import M_PER_FT
from mudcap.lang import LANGUAGES, _, languages

if TYPE_CHECKING:
    from mudcap.place.problem import Placement, SolveJob
    from mudcap.plan.compare import TradeOff

EPILOG = """\b
Examples:
  mudcap compare sample_blocks                        8, 8.5, 9, 9.5 and 10 sites an acre
  mudcap compare ranch --at 6 --at 8 --at 10 --quick
  mudcap compare ranch --rows                         also what fewer driven rows would cost
  mudcap compare ranch --effort long --seed 7 -o study   a longer search, files in a folder of their own
"""
PAGE, TABLE = "compare.html", "compare.csv"


@click.command(epilog=EPILOG)
@reading_options
@click.option(
    "-o", "--out", type=Folder(), metavar="DIR", help="Folder for the outputs [RANCH/out]."
)
@click.option("--at", "densities", type=Within(0.1, 40), multiple=True, metavar="N",
              help="Sites an acre to compare; may be repeated [8, 8.5, 9, 9.5, 10].")  # fmt: skip
@click.option(
    "--rows", is_flag=True, help="Also compare how much evenness is given up for fewer rows to drive."
)
@click.option(
    "--effort",
    type=click.Choice(["quick", "normal", "long"]),
    help="How long to search; counted work [normal].",
)
@click.option("--quick", "effort", flag_value="quick", help="The same as --effort quick.")
@click.option("--seed", type=click.IntRange(min=0), help="Number that fixes every random choice [0].")
@cluster_option
def compare(
    as_json: bool, quiet: bool, debug: bool, out: Path | None, densities: tuple[float, ...], rows: bool,
    effort: str | None, seed: int | None, cluster: str | None, **given: Any,
) -> int:  # fmt: skip
    """Solve each block of RANCH at several densities and lay farthest and mean distance, shelters, cavities and hours
    of a round side by side: compare.html (with plots) and compare.csv."""
    from mudcap.app.cluster import runner_for
    from mudcap.app.runner import Stop
    from mudcap.draw.tradeoff import trade_off_page
    from mudcap.files.atomic import check_directory, locked, staged, write_file
    from mudcap.files.outputs import named
    from mudcap.files.trade_csv import trade_off_csv
    from mudcap.plan.compare import DENSITIES, ROW_ECONOMIES, trade_offs
    from mudcap.plan.make import make_plan

    choices = ReadingChoices(**given)
    console = Console(is_quiet=quiet or as_json)
    spec = open_spec(choices)
    params = with_values(spec.params, {"place.effort": effort, "place.seed": seed})
    target = output_folder(spec, out)
    check_directory(target)
    stop = Stop()
    with runner_for(cluster, stop=stop, report=console.block) as runner:
        runner.limit(safety_s=params.place.safety_s, processes=params.place.jobs)
        runner.warm()
        with locked(target) as lock, console.progress(), stoppable(stop.ask, console):
            orchard, findings = read(spec, choices, console)

            def solve_all(jobs: Sequence[SolveJob], /) -> Sequence[Placement]:
                console.blocks(len(jobs))
                return runner(jobs)

            # stations and trees are wanted of this plan, not its layout
            plain = dataclasses.replace(
                params.place, effort="quick", border_m=0.0, per_acre_max=None, farthest_m=None
            )
            plan = make_plan(
                orchard, dataclasses.replace(params, place=plain), findings=findings, is_draft=True,
                solve_all=solve_all, progress=console.step,
            )  # fmt: skip
            console.findings(f for f in plan.findings if f.level == "error")
            console.step(_("comparing"))
            found = trade_offs(
                dataclasses.replace(plan, params=params),
                densities=densities or DENSITIES,
                row_economies=ROW_ECONOMIES if rows else (),
                solve_all=solve_all,
            )
            ranch = params.ranch or orchard.name
            first, *others = languages(choices.lang)
            pages = {
                PAGE if language == first else named(PAGE, language): trade_off_page(
                    found, ranch=ranch, now=params.place.per_acre, units=params.units, lang=language
                )
                for language in (first, *others)
            }
            with staged(lock, (PAGE, *(named(PAGE, language) for language in LANGUAGES[1:]), TABLE)) as stage:
                for name, page in pages.items():
                    write_file(stage / name, page)
                write_file(stage / TABLE, trade_off_csv(found))
    if as_json:
        facts = {
            "schema": "mudcap.compare/1",
            "rows": [dataclasses.asdict(r) for r in found],
            "seconds": console.seconds,
        }
        tell(json.dumps(facts, ensure_ascii=False, indent=1))
    elif not quiet:
        for line in _table(found, params.units):
            tell(line)
        where = ", ".join(str(target / name) for name in pages)
        tell(_("Written: {page} (with plots) and {table}.").format(page=where, table=target / TABLE))
    return 130 if stop.is_set else 5 if any(o.how != "solved" for o in runner.outcomes) else 0


def _table(rows: tuple[TradeOff, ...], units: str) -> list[str]:
    scale, unit = (1 / M_PER_FT, "ft") if units == "us" else (1.0, "m")
    heads = [
        _("block"),
        _("an acre"),
        _("economy"),
        _("sites"),
        _("farthest"),
        _("mean"),
        _("CV"),
        _("driven"),
        _("hours"),
    ]
    lines = [[h if k not in (4, 5) else f"{h} {unit}" for k, h in enumerate(heads)]]
    lines += [
        [r.block_id[:24], f"{r.per_acre:g}", f"{r.row_economy:g}", f"{r.sites:,}", f"{r.farthest_m * scale:.1f}",
         f"{r.mean_m * scale:.2f}", f"{r.trees_cv:.3f}", f"{r.driven_rows}", f"{r.round_h:.1f}"]
        for r in rows
    ]  # fmt: skip
    widths = [max(len(line[k]) for line in lines) for k in range(len(heads))]
    return [
        "  ".join(
            c.ljust(w) if k == 0 else c.rjust(w) for k, (c, w) in enumerate(zip(line, widths, strict=True))
        )
        for line in lines
    ]
