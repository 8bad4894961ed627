"""`mudcap plan`: from block files to a folder of sheets that a crew can hang shelters by."""

from __future__ import annotations

import dataclasses
import json
import os
import threading
from collections.abc import Collection, Iterator, Sequence
from contextlib import ExitStack, nullcontext, suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from mudcap.app.console import Console, how_text, tell
from mudcap.app.imports import left_out
from mudcap.app.interrupt import stoppable
from mudcap.app.options import Folder, Length, PerAcre, Within, cluster_option, reading_options
from mudcap.app.reading import ReadingChoices, open_spec, read, refuse_strictly, with_values
from mudcap.errors import InputError
from mudcap.lang import _, _n, languages

if TYPE_CHECKING:
    from mudcap.app.drawing import Drawer
    from mudcap.app.runner import Outcome, Runner, Stop
    from mudcap.draw.webmap_payload import Photo
    from mudcap.files.ranch import RanchSpec
    from mudcap.orchard.model import Finding
    from mudcap.plan.model import Earlier, Params, Plan

PAGES: Final = ("letter", "tabloid", "a4", "a3")
STOPPED: Final = 130
EPILOG = """\b
Examples:
  mudcap plan sample_blocks -o maps
  mudcap plan north.zip --crs EPSG:2227 --per-acre 8
  mudcap plan ranch --per-acre 8-10 --farthest 45ft      the smallest number that reaches it
  mudcap plan ranch --edits walked.gpx                   after a walk with the draft
  mudcap plan ranch --dry-run                            what would change, nothing written

\b
Each option can also stand in RANCH/mudcap.toml; the command line wins.
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanChoices:
    """What the command line says about planning; None = as mudcap.toml or the default says."""

    out: Path | None
    per_acre: tuple[float, float | None] | None
    farthest: float | None
    edits: Path | None
    preset: str | None
    effort: str | None
    seed: int | None
    slack: float | None
    row_economy: float | None
    keep: Path | None
    move_penalty: float | None
    plan_date: datetime | None
    cluster: str | None
    page: str
    ortho: Path | None
    strict: bool
    dry_run: bool


@click.command(epilog=EPILOG)
@reading_options
@click.option("-o", "--out", type=Folder(), metavar="DIR",
              help="Folder for the outputs [RANCH/out; for a file NAME-out beside it].")  # fmt: skip
@click.option("--per-acre", type=PerAcre(), metavar="N|N-M",
              help="Sites an acre [9], or a range; then the smallest number that reaches --farthest.")  # fmt: skip
@click.option(
    "--farthest", type=Length(), metavar="LENGTH", help="Wanted farthest tree from its site, such as 45ft."
)
@click.option("--edits", type=click.Path(path_type=Path), metavar="FILE",
              help="Pins, bans, moves and additions from the orchard: GPX, CSV or GeoJSON.")  # fmt: skip
@click.option(
    "--preset", metavar="NAME", help="Release rate by name, such as almond-handbook [the crop's own]."
)
@click.option(
    "--effort",
    type=click.Choice(["quick", "normal", "long"]),
    help="How long to search; counted work, no clock [normal].",
)
@click.option("--quick", "effort", flag_value="quick", help="The same as --effort quick.")
@click.option("--seed", type=click.IntRange(min=0), help="Number that fixes every random choice [0].")
@click.option("--slack", type=Within(0, 1), metavar="SHARE",
              help="Share of the best farthest distance given up for evenness [0.04].")  # fmt: skip
@click.option("--row-economy", type=Within(0, 1), metavar="SHARE",
              help="Share of the best mean distance given up for fewer rows to drive [0.03].")  # fmt: skip
@click.option("--keep", type=click.Path(path_type=Path), metavar="FILE",
              help="An earlier plan (its plan.gpkg) whose sites stand: give one up only where that pays, and say how many moved.")  # fmt: skip
@click.option("--move-penalty", type=Within(min=0), metavar="M2",
              help="With --keep: mean-square metres that giving up one of its sites must gain; 0 = place all anew from "
                   "there [a quarter of an even layout's].")  # fmt: skip
@click.option("--date", "plan_date", type=click.DateTime(["%Y-%m-%d"]), metavar="YYYY-MM-DD",
              help="Date printed on every page [blank, to fill in].")  # fmt: skip
@cluster_option
@click.option(
    "--page", type=click.Choice(PAGES), default="letter", show_default=True, help="Paper of the sheet."
)
@click.option("--ortho", type=click.Path(path_type=Path), metavar="FILE",
              help="A GeoTIFF from the air to put under map.html; needs the extra mudcap[ortho].")  # fmt: skip
@click.option("--strict", is_flag=True, help="Write nothing if any block or feature had to be left out.")
@click.option(
    "-n",
    "--dry-run",
    is_flag=True,
    help="Say what would change against the plan that is there; write nothing.",
)
def plan(as_json: bool, quiet: bool, debug: bool, **given: Any) -> int:
    """Plan shelter sites for RANCH and write map, sheet, pick-list, waypoints and report.

    RANCH is a folder (with mudcap.toml, or layer files named by what they hold), or one file of blocks: zipped shapefile,
    GeoPackage, GeoJSON, KML or KMZ, GPX, CSV, NMEA log.
    """
    own = {f.name for f in dataclasses.fields(PlanChoices)}
    choices = PlanChoices(**{k: v for k, v in given.items() if k in own})
    reading = ReadingChoices(**{k: v for k, v in given.items() if k not in own})
    return _Run(choices, reading, Console(is_quiet=quiet or as_json), as_json=as_json, is_debug=debug).run()


class _Run:
    """One run of the command, step by step."""

    def __init__(
        self,
        choices: PlanChoices,
        reading: ReadingChoices,
        console: Console,
        *,
        as_json: bool,
        is_debug: bool,
    ) -> None:
        self.choices, self.reading, self.console = choices, reading, console
        self.as_json, self.is_debug = as_json, is_debug
        self.photo: Photo | None = None
        self.drawer: Drawer | None = None
        self.is_loading = False

    def run(self) -> int:
        """The exit code."""
        from mudcap.app.cluster import runner_for
        from mudcap.app.runner import Stop

        stop = Stop()
        with ExitStack() as children:
            runner = children.enter_context(
                runner_for(self.choices.cluster, stop=stop, report=self.console.block)
            )
            runner.warm()
            from mudcap.files.atomic import Lock, check_directory, locked

            spec = open_spec(self.reading)
            params = plan_params(spec.params, self.choices)
            target = output_folder(spec, self.choices.out)
            check_directory(target)
            runner.limit(safety_s=params.place.safety_s, processes=params.place.jobs)
            held = nullcontext(Lock(directory=target)) if self.choices.dry_run else locked(target)
            with held as lock:
                plan, earlier = self._plan(spec, params, target, runner, stop, children)
                code = exit_code(plan, is_stopped=stop.is_set)
                if self.choices.dry_run:
                    self._say_changes(plan, earlier, code)
                else:
                    self._write(plan, lock, runner, code)
        return code

    def _plan(
        self, spec: RanchSpec, params: Params, target: Path, runner: Runner, stop: Stop, children: ExitStack
    ) -> tuple[Plan, Earlier]:
        from mudcap.app.drawing import Drawer
        from mudcap.files.outputs import PLAN_FILE
        from mudcap.files.store import read_codes, read_earlier
        from mudcap.plan.make import make_plan

        kept = self.choices.keep
        if kept is not None and not kept.is_file():
            raise InputError(
                _("{file}: there is no such plan to keep. Name the plan.gpkg of one.").format(file=kept)
            )
        if kept is None and self.choices.edits is not None and (target / PLAN_FILE).is_file():
            kept = target / PLAN_FILE  # edits are made to the plan that lies there
        before = kept or target / PLAN_FILE
        earlier = read_earlier(before)
        if self.choices.keep is not None:  # nor is a serial of the plan that is written over used twice
            earlier = earlier.beside(read_earlier(target / PLAN_FILE))
        if not self.choices.dry_run:
            self.drawer = children.enter_context(Drawer())  # before a bar on the terminal takes a thread
        with self.console.progress():
            orchard, findings = read(spec, self.reading, self.console, read_codes(before))
            edits, said = self._edits()
            findings = (*findings, *said)
            if self.choices.ortho is not None and not self.choices.dry_run:
                from mudcap.files.ortho import cut_photo

                self.photo = cut_photo(self.choices.ortho, orchard)
            if self.choices.strict:
                refuse_strictly(findings, ())
            children.enter_context(stoppable(stop.ask, self.console))  # to the end: a plan that is being written is kept, too
            with self.console.timed("plan"):
                plan = make_plan(
                    orchard, params, edits=edits, earlier=earlier, findings=findings, keep=kept is not None,
                    solve_all=self._solving(runner), progress=self.console.step,
                )  # fmt: skip
        self._load_drawing()
        plan = dataclasses.replace(
            plan,
            findings=(*plan.findings, *_runner_findings(runner.outcomes, self.is_debug)),
            reproducible=plan.reproducible and all(o.how == "solved" for o in runner.outcomes),
        )
        self.console.findings(plan.findings)
        if self.choices.strict:
            refuse_strictly(
                (), [(b.block_id, b.reason) for b in plan.blocks if b.status in ("refused", "no_site")]
            )
        return plan, earlier

    def _solving(self, runner: Runner) -> Any:
        def solve_all(jobs: Sequence[Any], /) -> Sequence[Any]:
            self._load_drawing()
            self.console.blocks(len(jobs))
            return runner(jobs)

        return solve_all

    def _load_drawing(self) -> None:
        """Load what draws and writes while the solver's process works, and not before: reading would wait for it."""
        if self.drawer is not None and not self.is_loading:
            self.is_loading = True
            if not self.drawer.is_started:  # no copy of this process, so it takes long
                self.drawer.load()
            threading.Thread(target=load_ahead, args=(self.drawer,), daemon=True).start()

    def _edits(self) -> tuple[Sequence[Any], Sequence[Any]]:
        if self.choices.edits is None:
            return (), ()
        from mudcap.files.edits import read_edits

        return read_edits(self.choices.edits)

    def _write(self, plan: Plan, lock: Any, runner: Runner, code: int) -> None:
        from mudcap.app.drawing import PAPERS, TABLES, Paper
        from mudcap.draw.webmap import web_map
        from mudcap.files.export import plan_stage, plan_tables
        from mudcap.files.outputs import named
        from mudcap.plan.spoken import plan_in

        assert self.drawer is not None
        lang = self.reading.lang
        spoken = languages(lang)
        papers = [
            Paper(name=kind if language == spoken[0] else named(kind, language), kind=kind, lang=language, page=self.choices.page)
            for kind in PAPERS
            for language in spoken
        ]  # fmt: skip
        with ExitStack() as ends:
            stage = ends.enter_context(plan_stage(plan, lock))
            with self.console.timed("draw", _("drawing map and sheet")):
                made = self.drawer.draw(
                    {language: plan_in(plan, language) for language in spoken}, papers,
                    {"map.html": lambda: web_map(plan, lang, photo=self.photo)}, meanwhile=stage.write_database,
                )  # fmt: skip
            with self.console.timed("write", _("writing")):
                stage.write(plan_tables({p.lang: made.pop(p.name) for p in papers if p.kind == TABLES}))
                stage.write(made)
                ends.close()
        paths = stage.paths(lock.directory)
        if self.as_json:
            tell(
                json.dumps(
                    run_facts(plan, paths, runner.outcomes, self.console.seconds, code),
                    ensure_ascii=False,
                    indent=1,
                )
            )
        elif not self.console.is_quiet:
            for line in farewell(plan, paths, code):
                tell(line)

    def _say_changes(self, plan: Plan, earlier: Earlier, code: int) -> None:
        from mudcap.app.changes import changes_text, plan_changes

        changes = plan_changes(plan, earlier)
        if self.as_json:
            tell(
                json.dumps(
                    {"schema": "mudcap.changes/1", "exit_code": code, **changes}, ensure_ascii=False, indent=1
                )
            )
            return
        for line in changes_text(changes):
            tell(line)


def load_ahead(drawer: Drawer) -> None:
    """Load what this process draws and writes with, then let the child do so: the solver's works beside them on few cores."""
    from mudcap.app import drawing

    drawing.load()
    with left_out("pandas", "geopandas"):
        from mudcap.draw.webmap import skeleton
    skeleton()
    drawer.load()


def plan_params(params: Params, choices: PlanChoices) -> Params:
    """mudcap.toml's options with the command line's put over them. Raises ``UsageError``."""
    from mudcap.supply.stocking import PRESETS

    if choices.preset is not None and choices.preset not in PRESETS:
        raise click.UsageError(
            _("--preset {name}: there is none of that name; there are {known}.").format(
                name=choices.preset, known=", ".join(PRESETS)
            )
        )
    least, most = choices.per_acre or (None, None)
    if choices.per_acre is not None:  # a single number on the command line takes a range of the file away
        params = dataclasses.replace(params, place=dataclasses.replace(params.place, per_acre_max=None))
    merged: Params = with_values(params, {
        "place.per_acre": least, "place.per_acre_max": most, "place.farthest_m": choices.farthest,
        "place.effort": choices.effort, "place.seed": choices.seed, "place.slack": choices.slack,
        "place.row_economy": choices.row_economy, "place.move_penalty_m2": choices.move_penalty, "stocking.preset": choices.preset,
        "plan_date": choices.plan_date.date() if choices.plan_date else None,
    })  # fmt: skip
    if merged.place.per_acre_max is not None and merged.place.farthest_m is None:
        raise click.UsageError(
            _("--per-acre {low:g}-{high:g} needs --farthest, such as --farthest 45ft: the smallest number that reaches it is taken.")
            .format(low=merged.place.per_acre, high=merged.place.per_acre_max)
        )  # fmt: skip
    return merged


def output_folder(spec: RanchSpec, given: Path | None) -> Path:
    """Where outputs go: as given, else RANCH/out, else NAME-out beside the file. Raises ``UsageError``."""
    target = given or (spec.directory / f"{spec.path.stem}-out" if spec.is_file else spec.directory / "out")
    with suppress(OSError, RuntimeError):  # an endless link is told when it is read
        if not spec.is_file and target.resolve() == spec.directory.resolve():
            raise click.UsageError(
                _("-o {folder}: this is the ranch's own folder, whose files are input. Choose another, such as {example}.")
                .format(folder=target, example=spec.directory / "out")
            )  # fmt: skip
    from mudcap.files.outputs import OUTPUTS, TRANSLATED

    spare_inputs(spec, target, (*OUTPUTS, *TRANSLATED))
    return target


def spare_inputs(spec: RanchSpec, target: Path, names: Collection[str]) -> None:
    """Raise ``UsageError`` where an output of one of these names would be written over an input."""
    with suppress(OSError, RuntimeError):  # an endless link is told when it is read
        inputs = {layer.path.resolve() for layer in spec.layers}
        for name in names:
            if (target / name).resolve() in inputs:
                raise click.UsageError(
                    _("-o {folder}: {file} there is an input. Choose another folder.").format(folder=target, file=name)
                )


def exit_code(plan: Plan, *, is_stopped: bool) -> int:
    """130 stopped by hand; 5 a stop or fallback had a hand in it, or the check found a fault; 4 a limit was widened, or no block got a site; else 0."""
    if is_stopped:
        return STOPPED
    statuses = {b.status for b in plan.blocks}
    if not plan.reproducible or "fallback" in statuses or plan.has_fault:
        return 5
    return 4 if "relaxed" in statuses or not plan.sites else 0


def run_facts(
    plan: Plan, paths: Sequence[Path], outcomes: Sequence[Outcome], seconds: dict[str, float], code: int
) -> dict[str, Any]:
    """What --json prints: the report, the files and the running times (which never go into files)."""
    from mudcap.files.report_json import report

    return {
        "schema": "mudcap.run/1",
        "exit_code": code,
        "files": [os.fspath(path) for path in paths],
        "seconds": seconds,
        "solver": [{"block": o.name, "how": o.how, "seconds": round(o.seconds, 3)} for o in outcomes],
        "report": report(plan),
    }


def farewell(plan: Plan, paths: Sequence[Path], code: int) -> list[str]:
    """What was planned, where it lies, and what to do next."""
    from mudcap.files.outputs import IN_EACH_LANGUAGE, named
    from mudcap.files.report_text import status_text

    acres = sum(b.acres for b in plan.blocks)
    lines = [
        _n(
            "{shelters} in {blocks} block on {acres:,.2f} acres. {status}",
            "{shelters} in {blocks} blocks on {acres:,.2f} acres. {status}",
            sum(b.sites > 0 for b in plan.blocks),
        ).format(
            shelters=_n("{n:,} shelter", "{n:,} shelters", len(plan.sites)).format(n=len(plan.sites)), blocks=sum(b.sites > 0 for b in plan.blocks), acres=acres,
            status=status_text(plan, _) if code != STOPPED else _("Stopped by hand: the best so far, marked on every page."),
        )
    ]  # fmt: skip
    lines += [str(f.text) for f in plan.findings if f.code in ("kept_sites", "kept_beside", "kept_changes")]
    uses = {
        "map.html": _("look at it in any browser; it needs no network"),
        "sheet.pdf": _("print at 100 %, to scale"),
        "picklist.pdf": _("what goes on which load, to which site"),
        "checks.pdf": _("to write checks on, where no phone does"),
        "contractor.pdf": _("for whoever sprays: where nozzles go off, what is closed"),
        "picklist.csv": _("what goes to which site"),
        "picklist.xlsx": _("the same, with boxes to tick"),
        "picklist.json": _("the same for programs"),
        "sites.gpx": _("waypoints for handhelds and phones"),
        "waypoints.zip": _("the same a block, for handhelds that hold few"),
        "sites.kmz": _("the same for globes on a phone or a screen"),
        "sites.geojson": _("sites for GIS and web maps"),
        "plan.gpkg": _("all of it for GIS; the next run keeps its site numbers"),
        "report.md": _("how even it is, what was left out, where numbers come from"),
        "report.json": _("the same for programs"),
    }
    uses |= {named(name, "es"): _("the same in Spanish") for name in IN_EACH_LANGUAGE}
    lines += [f"  {path}  ({uses[path.name]})" for path in paths]
    lines.append(
        _(
            "Next: read report.md, look at map.html, walk a block with sheet.pdf or sites.gpx; bring changes back with --edits FILE."
        )
    )
    return lines


def _runner_findings(outcomes: Sequence[Outcome], is_debug: bool) -> Iterator[Finding]:
    from mudcap.orchard.model import Finding

    odd = {(o.name, o.how): o for o in outcomes if o.how != "solved"}
    for (name, how), outcome in sorted(odd.items()):
        detail = f" ({outcome.detail.strip().splitlines()[-1][:200]})" if outcome.detail.strip() else ""
        if is_debug and outcome.detail:
            click.echo(outcome.detail, err=True)
        yield Finding(
            level="warning", code=f"solver_{how}", layer="", feature=name,
            text=_("Block {block}: {how}{detail}.").format(block=name, how=how_text(how), detail=detail),
        )  # fmt: skip
