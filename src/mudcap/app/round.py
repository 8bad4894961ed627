"""`mudcap round`: who goes where and when, to hang, check, wet or fetch."""

from __future__ import annotations

import dataclasses
import json
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from mudcap.app.console import Console, tell
from mudcap.app.interrupt import stoppable
from mudcap.app.options import Folder, Within, reading_options
from mudcap.app.plan import PAGES, STOPPED, output_folder, spare_inputs
from mudcap.app.reading import ReadingChoices, open_spec, read
from mudcap.app.times import Clock, ClosedUntil, Closing, Day, Duration, Lunch, Panel, Speed
from mudcap.lang import BOTH, _, languages, speaking

if TYPE_CHECKING:
    from mudcap.files.ranch import RanchSpec
    from mudcap.plan.model import Plan
    from mudcap.plan.round_model import Entry, Round, RoundOptions
    from mudcap.route.visits import Progress

TASKS: Final = ("hang", "check", "wet", "fetch")
MODES: Final = ("cart", "truck", "foot")
DAY_S: Final = 86_400.0
INCOMPLETE: Final = 4
EPILOG = """\b
Examples:
  mudcap round ranch --task check --crew 2 --day 6h
  mudcap round ranch --task check --panel 1/3 --date 2027-02-16       a third of the sites, another third next time
  mudcap round ranch --task check --stops 60 --flag NOR0012 --seed 1   a sample of 60, and a site that needs a look
  mudcap round ranch --task hang --days 3 --capacity 120 --lunch 12:00/45min
  mudcap round ranch --task fetch --closed "North 40 until 14:30" --mode truck
  mudcap round ranch --task check --done morning.csv --now 13:05       the rest of today, from what is done
"""


@dataclasses.dataclass(frozen=True, slots=True, kw_only=True)
class RoundChoices:
    """What the command line says about a round."""

    out: Path | None
    task: str
    crew: int
    days: int
    day: float
    start: float
    now: float | None
    lunch: tuple[float, float] | None
    first_day: date | None
    zone: float | None
    no_daylight: bool
    aim: str
    mode: str
    alley_speed: float | None
    road_speed: float | None
    stop: float | None
    per_cavity: float
    capacity: float | None
    reload: float | None
    closed: tuple[ClosedUntil, ...]
    done: Path | None
    flag: tuple[str, ...]
    stops: int | None
    share: float | None
    half_width: float | None
    panel: tuple[int, int] | None
    seed: int
    page: str


@click.command("round", epilog=EPILOG)
@reading_options
@click.option("-o", "--out", type=Folder(), metavar="DIR",
              help="Folder of the plan, and for the outputs [RANCH/out; for a file NAME-out beside it].")  # fmt: skip
@click.option("--task", type=click.Choice(TASKS), required=True, help="What is done at each site (or puddle).")
@click.option("--crew", type=click.IntRange(1, 24), default=1, show_default=True, metavar="N", help="Crews, one vehicle each.")
@click.option("--days", type=click.IntRange(1, 60), default=1, show_default=True, metavar="N", help="Days at most.")
@click.option("--day", type=Duration(), default="8h", show_default=True, metavar="TIME",
              help="From leaving the yard to being back, lunch included.")  # fmt: skip
@click.option("--start", type=Clock(), default="7:00", show_default=True, metavar="HH:MM", help="When crews leave the yard.")
@click.option("--now", type=Clock(), metavar="HH:MM", help="Plan the rest of the first day from this time; see --done.")
@click.option("--lunch", type=Lunch(), default="12:00", show_default=True, metavar="HH:MM[/TIME]",
              help="Lunch at the first stop that ends after this, half an hour unless said; or none.")  # fmt: skip
@click.option("--date", "first_day", type=Day(), metavar="YYYY-MM-DD",
              help="First day; for daylight and dated closures [not looked at].")  # fmt: skip
@click.option("--zone", type=Within(-14, 14), metavar="HOURS",
              help="Hours of the clock ahead of UTC, such as -7 [standard time of the place].")  # fmt: skip
@click.option("--no-daylight", is_flag=True, help="Let crews work before sunrise and after sunset.")
@click.option("--aim", type=click.Choice(["finish", "paid"]), default="finish", show_default=True,
              help="Done as soon as can be, or with the fewest paid hours.")  # fmt: skip
@click.option("--mode", type=click.Choice(MODES), default="cart", show_default=True,
              help="What a crew goes with; where it may not drive, it walks.")  # fmt: skip
@click.option("--alley-speed", type=Speed(), metavar="SPEED", help="In the alleys, such as 5mph [as travel options say].")
@click.option("--road-speed", type=Speed(), metavar="SPEED", help="On roads and headlands [as travel options say].")
@click.option("--stop", type=Duration(), metavar="TIME", help="At each stop [hang 180s, check 45s, fetch 120s; wet as the plan says].")
@click.option("--per-cavity", type=Duration(), default="0s", show_default=True, metavar="TIME", help="Besides, for each cavity.")
@click.option("--capacity", type=Within(min=0, min_open=True), metavar="N",
              help="Shelters (litres of water, for wetting) that a vehicle takes [hang: as the supply options say; wet: the tank; else all].")  # fmt: skip
@click.option("--reload", type=Duration(), metavar="TIME", help="At the yard between two loads [10min; wet as the tank fills].")
@click.option("--closed", type=Closing(), multiple=True, metavar='"BLOCK until TIME"',
              help="A block that may not be entered before then, by its label's re-entry interval. Repeat as needed.")  # fmt: skip
@click.option("--done", type=click.Path(path_type=Path), metavar="FILE", help="What is done: CSV (site_id, state, time, crew), or checks from the map.")
@click.option("--flag", multiple=True, metavar="SITE", help="A site to see whatever the sample says. Repeat as needed.")
@click.option("--stops", type=click.IntRange(min=1), metavar="N", help="See a sample of so many sites [all sites].")
@click.option("--share", type=Within(0, 1, min_open=True), metavar="SHARE", help="See a sample of this share of the sites.")
@click.option("--half-width", type=Within(0, 0.5, min_open=True), metavar="SHARE",
              help="See as many as tell the share of occupied cavities this closely, such as 0.05.")  # fmt: skip
@click.option("--panel", type=Panel(), metavar="I/K", help="The I-th of K rounds that together see every site.")
@click.option("--seed", type=click.IntRange(min=0), default=0, show_default=True, help="Number that fixes the order of the panels.")
@click.option("--page", type=click.Choice(PAGES), default="letter", show_default=True, help="Paper of the crew sheets.")
def round_(as_json: bool, quiet: bool, debug: bool, **given: Any) -> int:
    """Plan a service round over the sites of RANCH's plan, and write crew sheets, GPX, map and JSON beside it.

    Run mudcap plan first; nothing is solved anew here but the way round.
    """
    own = {f.name for f in dataclasses.fields(RoundChoices)}
    choices = RoundChoices(**{k: v for k, v in given.items() if k in own})
    reading = ReadingChoices(**{k: v for k, v in given.items() if k not in own})
    console = Console(is_quiet=quiet or as_json)
    options = round_options(choices)
    spec = open_spec(reading)
    target = output_folder(spec, choices.out)
    from mudcap.files.atomic import check_directory, locked
    from mudcap.files.outputs import round_outputs

    spare_inputs(spec, target, round_outputs(choices.task, reading.lang))

    check_directory(target)
    from mudcap.plan.round_make import make_round

    with locked(target) as lock:
        plan, log = _opened(spec, reading, choices, target, console)
        watch = _Watch(console)
        with console.progress(), stoppable(watch.ask, console):  # to the end: a round that is being written is kept, too
            with console.timed("round", _("planning the round")):
                made = make_round(plan, options, log, stop=lambda: watch.is_asked, tell=watch.tell)
            for note in made.notes:
                console.warn(_("note: {text}").format(text=note)) if not console.is_quiet else None
            if (more := _advice(options)) and not console.is_quiet:
                console.warn(more)
            paths = _write(plan, made, choices, reading.lang, lock, console)
    code = STOPPED if made.stopped else INCOMPLETE if made.left else 0
    if as_json:
        from mudcap.files.round_json import round_facts

        facts = {"schema": "mudcap.round-run/1", "exit_code": code, "files": [str(p) for p in paths],
                 "seconds": console.seconds, "round": round_facts(plan, made, languages(reading.lang)[0])}  # fmt: skip
        tell(json.dumps(facts, ensure_ascii=False, indent=1))
    elif not quiet:
        for line in farewell(plan, made, paths):
            tell(line)
    return code


def round_options(choices: RoundChoices) -> RoundOptions:
    """The command line as options of a round. Raises ``UsageError``."""
    from mudcap.plan.round_model import Closed, RoundOptions, SampleOptions

    sizes = [n for n in ("stops", "share", "half_width") if getattr(choices, n) is not None]
    if len(sizes) > 1:
        raise click.UsageError(_("--stops, --share and --half-width: give one of them."))
    if choices.task == "wet" and (sizes or choices.panel):
        raise click.UsageError(_("--task wet: every puddle is wetted; there is no sample of them."))
    if choices.task in ("hang", "fetch") and (sizes or choices.panel):
        raise click.UsageError(
            _("--task {task}: every site is gone to; a sample is for checking.").format(task=choices.task)
        )
    if not 0 < choices.day <= DAY_S:
        raise click.UsageError(_("--day: a crew's day is longer than nothing and at most 24 hours."))
    first = choices.first_day
    if first is not None and (date.max - first).days < choices.days:
        raise click.UsageError(_("--date {day}: the calendar ends before the round does.").format(day=first.isoformat()))
    closed = []
    for c in choices.closed:
        if c.day is not None and first is None:
            raise click.UsageError(
                _("--closed {block}: a date needs the round's own; give --date too.").format(block=c.block_id)
            )
        days = (c.day - first).days if c.day is not None and first is not None else 0
        closed.append(Closed(block_id=c.block_id, opens_s=max(0.0, days * DAY_S + c.time_s)))
    sample = None
    if sizes or choices.panel:
        sample = SampleOptions(
            stops=choices.stops, share=choices.share, half_width=choices.half_width, seed=choices.seed,
            panel=choices.panel[0] if choices.panel else 1, panels=choices.panel[1] if choices.panel else None,
        )  # fmt: skip
    lunch = choices.lunch
    return RoundOptions(
        task=choices.task, num_crews=choices.crew, num_days=choices.days, mode=choices.mode,  # type: ignore[arg-type]
        start_s=choices.start, day_s=choices.day, first_day=first, zone_h=choices.zone, daylight=not choices.no_daylight,
        lunch_s=lunch[0] if lunch else None, lunch_length_s=lunch[1] if lunch else 1800.0, stop_s=choices.stop,
        cavity_s=choices.per_cavity, capacity=choices.capacity, reload_s=choices.reload, alley_m_s=choices.alley_speed,
        road_m_s=choices.road_speed, closed=tuple(closed), sample=sample, flagged=choices.flag, now_s=choices.now,
        objective=choices.aim,  # type: ignore[arg-type]
    )  # fmt: skip


def _advice(options: RoundOptions) -> str:
    """Which option would have daylight and clock times right; '' where none is missing."""
    if options.first_day is None:
        return _("Give --date for daylight and dated closures.")
    return _("Give --zone where clocks show another time.") if options.zone_h is None else ""


def _opened(
    spec: RanchSpec, reading: ReadingChoices, choices: RoundChoices, target: Path, console: Console
) -> tuple[Plan, tuple[Entry, ...]]:
    """The plan that lies in `target`, and what is done."""
    from mudcap.files.outputs import PLAN_FILE
    from mudcap.files.round_log import read_log
    from mudcap.files.saved import read_saved
    from mudcap.files.store import read_codes
    from mudcap.plan.reopen import changed_options, reopen_plan

    saved = read_saved(target)
    log = read_log(choices.done) if choices.done is not None else ()
    with console.progress():
        orchard, _findings = read(spec, reading, console, read_codes(target / PLAN_FILE))
        with console.timed("open", _("laying rows")):
            plan = reopen_plan(saved, orchard)
    now = dataclasses.replace(spec.params, units=saved.params.units) if reading.units else spec.params
    changed = [name for name in changed_options(saved.params, now) if name != "place.effort"]
    if changed:
        console.say(
            _("note: the plan was made with other options than mudcap.toml's ({names}); its own are used.").format(
                names=", ".join(changed)
            )
        )
    if reading.units:
        plan = dataclasses.replace(plan, params=dataclasses.replace(plan.params, units=reading.units))
    return plan, log


class _Watch:
    """Tells how far the search for a round is, and hears of Ctrl-C (or SIGTERM)."""

    def __init__(self, console: Console) -> None:
        self.console = console
        self.is_asked = False
        """The best round so far is wanted."""

    def tell(self, progress: Progress, name: str) -> None:
        """One step on."""
        from mudcap.plan.round_words import clock

        best = progress.best
        if progress.gap is not None:
            text = _("the way through {block}: so far within {percent} % of the quickest").format(
                block=name, percent=f"{100 * progress.gap:.1f}"
            )
        elif best is None:
            text = _("the way through {block} is found").format(block=name)
        elif best.unserved:
            text = _("best so far; stops that find no time: {count}").format(count=len(best.unserved))
        else:
            text = _("best so far: back at {clock} on day {number}").format(
                clock=clock(best.finish_s), number=int(best.finish_s // DAY_S) + 1
            )
        self.console.count(progress.done, progress.total, text)

    def ask(self) -> bool:
        """Want the best round so far; False where it was wanted before."""
        is_first = not self.is_asked
        self.is_asked = True
        return is_first


def _write(
    plan: Plan, made: Round, choices: RoundChoices, lang: str, lock: Any, console: Console
) -> list[Path]:
    """All files or none; with ``both`` the crew sheets and routes once more in each other language."""
    from mudcap.draw.round_sheet import round_sheet
    from mudcap.draw.webmap import web_map
    from mudcap.files.atomic import staged
    from mudcap.files.outputs import round_outputs
    from mudcap.files.round_gpx import round_gpx
    from mudcap.files.round_json import round_json
    from mudcap.plan.spoken import round_in

    names = round_outputs(choices.task, lang)
    first, *others = languages(lang)
    with console.timed("draw", _("drawing map and sheet")):
        with speaking(first):
            own = round_in(made, first)
            made_files: list[str | bytes] = [
                round_sheet(plan, own, page=choices.page, lang=first), web_map(plan, lang, made), round_gpx(plan, own, first),
                round_json(plan, own, first), *hang_lists(plan, own, choices.page, first),
            ]  # fmt: skip
        for other in others:
            own = round_in(made, other)
            with speaking(other):
                made_files += [round_sheet(plan, own, page=choices.page, lang=other), round_gpx(plan, own, other), *hang_lists(plan, own, choices.page, other)[:2]]
        content = dict(zip(names, made_files, strict=True))
    with console.timed("write", _("writing")), staged(lock, round_outputs(choices.task, BOTH)) as stage:
        for name, text in content.items():
            (stage / name).write_bytes(text.encode() if isinstance(text, str) else text)
    return [lock.directory / name for name in names]


def hang_lists(plan: Plan, made: Round, page: str, lang: str) -> tuple[str | bytes, ...]:
    """The pick-list of a hanging round in the order of `HANG_LISTS`, those for people first; () for other rounds."""
    if made.options.task != "hang":
        return ()
    from mudcap.draw.picklist import picklist
    from mudcap.files.picklist_json import hang_json
    from mudcap.files.spreadsheet import picklist_csv, picklist_xlsx
    from mudcap.plan.hanging import hang_list

    hang = hang_list(plan, made)
    return (
        picklist(plan, page=page, lang=lang, hang=hang), picklist_xlsx(plan, lang, hang), picklist_csv(plan, lang, hang),
        hang_json(plan, hang, lang),
    )  # fmt: skip


def farewell(plan: Plan, made: Round, paths: list[Path]) -> list[str]:
    """What was planned, what is left, and where it lies."""
    from mudcap.plan.round_words import day_name, day_summary, finish_text, light_text, sample_text, why_text

    units = plan.params.units
    lines = [finish_text(made, _)]
    lines += [
        f"  {_('Crew {name}').format(name=d.crew)}, {day_name(made.options, d.day, _)}: {day_summary(d, units, _)}"
        for d in made.days
    ]
    lines += [text for text in (light_text(made, _), sample_text(made.sample, _, len(made.left)) if made.sample else "") if text]
    if made.left:
        lines.append(_("NOT gone to: {count}.").format(count=len(made.left)))
        reasons: dict[str, list[str]] = {}
        for place in made.left:
            reasons.setdefault(why_text(place, made, _), []).append(place.name)
        lines += [
            f"  {len(names)}: {why} ({', '.join(names[:6])}{' …' if len(names) > 6 else ''})" for why, names in reasons.items()
        ]
    return [*lines, _("Written:"), *(f"  {path}" for path in paths)]
