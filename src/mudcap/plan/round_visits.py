"""Which places a round goes to: the sites whose state asks for it, all of them or a spatially balanced sample."""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from mudcap.errors import InputError
from mudcap.lang import _, _n
from mudcap.plan.hanging import room
from mudcap.plan.model import Plan
from mudcap.plan.round_model import (
    STOP_S,
    Entry,
    NotVisited,
    RoundOptions,
    SampleFacts,
    SampleOptions,
    Task,
    Visit,
)
from mudcap.route.sample import draw_sample, expected_half_width, size_cv, smallest_count

_DONE: Final[dict[Task, frozenset[str]]] = {
    "hang": frozenset({"", "hung", "stocked", "released", "checked", "fetched", "stored", "opened"}),
    "check": frozenset({"", "checked"}),
    "wet": frozenset({"", "wetted"}),
    "fetch": frozenset({"", "fetched", "stored", "opened"}),
}
"""States that mean: nothing is left to do here in such a round."""
_GONE: Final = frozenset({"fetched", "stored", "opened"})
_EACH_ROUND: Final = frozenset({"checked", "wetted", ""})
"""Done again in every round: what was done on an earlier day does not count."""
_TOLD, _NEAR = 5, 3
"""Unknown names that are told one by one, and known ones that are told to be near each."""
WANTED: Final = (0.05, 0.1)
"""Half-widths whose sample size is always told."""


def choose_visits(
    plan: Plan, options: RoundOptions, log: Sequence[Entry]
) -> tuple[tuple[Visit, ...], tuple[NotVisited, ...], SampleFacts | None]:
    """The visits to make, the sites that need none, and how the sample was drawn.

    Raises ``InputError`` where a name of the log or of `options.flagged` is none of the plan's, or the sample is
    impossible.
    """
    places = _puddles(plan, options) if options.task == "wet" else _sites(plan, options)
    known = {v.name: i for i, v in enumerate(places)}
    _check_names(plan, options, log, known)
    done = _done(options, log, known)
    flagged = {known[n] for n in options.flagged} | {
        known[e.name] for e in log if e.state == "flagged" and e.name in known
    }
    chosen, sample = _sampled(plan, options, places, sorted(flagged - done))
    visits, rest = [], []
    for i, place in enumerate(places):
        if i in done:
            rest.append(_not(place, "done"))
        elif i in chosen:
            visits.append(place)
        else:
            rest.append(_not(place, "not_sampled"))
    return tuple(visits), tuple(rest), sample


def _not(visit: Visit, why: str) -> NotVisited:
    return NotVisited(name=visit.name, site=visit.site, block_id=visit.block_id, why="done" if why == "done" else "not_sampled")


def _sites(plan: Plan, options: RoundOptions) -> list[Visit]:
    at_stop = STOP_S[options.task] if options.stop_s is None else options.stop_s
    carried = room(plan, options).taken if options.task == "hang" else (1.0 if options.task == "fetch" else 0.0,) * len(plan.sites)
    return [
        Visit(
            name=s.site_id, site=i, block_id=s.block_id, address=s.address, number=s.number, row=s.row, tree=s.tree,
            xy=(s.x_m, s.y_m), lonlat=(s.lon, s.lat), service_s=at_stop + options.cavity_s * s.cavities, load=carried[i],
        )
        for i, s in enumerate(plan.sites)
    ]  # fmt: skip


def _puddles(plan: Plan, options: RoundOptions) -> list[Visit]:
    if plan.puddles is None or not plan.puddles.puddles:
        raise InputError(_("This plan has no puddles to wet."))
    mud = plan.params.mud
    return [
        Visit(
            name=p.name, site=-1, puddle=i, block_id=p.block_id, address=p.address, number=i + 1, row=0, tree=0,
            xy=(p.x_m, p.y_m), lonlat=(p.lon, p.lat), load=p.litres,
            service_s=mud.stop_s + 60 * p.litres / mud.pour_l_min if options.stop_s is None else options.stop_s,
        )
        for i, p in enumerate(plan.puddles.puddles)
    ]  # fmt: skip


def _check_names(
    plan: Plan, options: RoundOptions, log: Sequence[Entry], known: Iterable[str]
) -> None:
    """A log may also speak of puddles (or, when wetting, of sites); a name that is neither is a mistake."""
    names = set(known) | {s.site_id for s in plan.sites}
    names |= {p.name for p in plan.puddles.puddles} if plan.puddles is not None else set()
    said = [(e.name, e.source) for e in log] + [(name, "--flag") for name in options.flagged]
    strange = {name: source for name, source in reversed(said) if name not in names}
    if not strange:
        return
    told = [_strange_name(name, source, names) for name, source in list(strange.items())[: -_TOLD - 1 : -1]]
    more = len(strange) - len(told)
    raise InputError(
        _n(
            "No site of plan {number} has this name: {names}. Is the file of another plan?",
            "No sites of plan {number} have these {count} names: {names}. Is the file of another plan?",
            len(strange),
        ).format(number=plan.number, count=len(strange), names="; ".join(told) + (" " + _("and {n} more").format(n=more) if more else ""))
    )


def _strange_name(name: str, source: str, known: Iterable[str]) -> str:
    """An unknown name with its place, and the known ones that differ in one letter or digit."""
    near = sorted(k for k in known if _is_near(name.upper(), k.upper()))[:_NEAR]
    text = f"{source}: {name}" if source else name
    return text + (" (" + _("did you mean {near}?").format(near=" / ".join(near)) + ")" if near else "")


def _is_near(a: str, b: str) -> bool:
    """Whether at most one character has to be changed, put in or left out to make one name the other.

    >>> _is_near("BAP0012", "BAP0017"), _is_near("BAP012", "BAP0012"), _is_near("BAP0012", "BAP0021")
    (True, True, False)
    """
    if abs(len(a) - len(b)) > 1:
        return False
    same = next((i for i, (x, y) in enumerate(zip(a, b, strict=False)) if x != y), min(len(a), len(b)))
    return a[same + (len(a) >= len(b)) :] == b[same + (len(b) >= len(a)) :]


def with_block_names(plan: Plan, options: RoundOptions) -> RoundOptions:
    """The options with closed blocks called as the plan calls them, whatever their case and accents.

    Raises ``InputError`` where no block, or more than one, can be meant.
    """
    blocks = [b.block_id for b in plan.orchard.blocks]
    closed = []
    for one in options.closed:
        meant = [b for b in blocks if b == one.block_id] or [b for b in blocks if _folded(b) == _folded(one.block_id)]
        if len(meant) != 1:
            raise InputError(
                _("{name}: there is no block of that name; there are {known}.").format(name=one.block_id, known=", ".join(sorted(blocks)))
            )
        closed.append(replace(one, block_id=meant[0]))
    return replace(options, closed=tuple(closed))


def with_plan_names(plan: Plan, log: Sequence[Entry]) -> list[Entry]:
    """The log with sites and puddles called as the plan calls them, whatever their case; a name that is none stays as it is."""
    names = [s.site_id for s in plan.sites] + ([p.name for p in plan.puddles.puddles] if plan.puddles is not None else [])
    meant: dict[str, list[str]] = {}
    for name in names:
        meant.setdefault(_folded(name), []).append(name)

    def known(name: str) -> str:
        found = meant.get(_folded(name), [])
        return name if name in found or len(found) != 1 else found[0]

    return [replace(entry, name=known(entry.name)) for entry in log]


def _folded(name: str) -> str:
    """A name without case and accents."""
    letters = unicodedata.normalize("NFKD", name.casefold())
    return " ".join("".join(c for c in letters if not unicodedata.combining(c)).split())


def _done(options: RoundOptions, log: Sequence[Entry], known: dict[str, int]) -> set[int]:
    """Places where nothing is left to do. A check or a wetting counts only from the first day on, and not at all where the
    options flag the place; a shelter that is in needs no check."""
    again = set(options.flagged) if options.task in ("check", "wet") else set()
    done: set[int] = set()
    for entry in log:
        if entry.name not in known:
            continue
        early = entry.day is not None and options.first_day is not None and entry.day < options.first_day
        if entry.state in _EACH_ROUND and (entry.name in again or (early and options.task in ("check", "wet"))):
            continue
        if entry.state in _DONE[options.task] or (options.task == "check" and entry.state in _GONE):
            done.add(known[entry.name])
    return done


def _sampled(
    plan: Plan, options: RoundOptions, places: Sequence[Visit], flagged: Sequence[int]
) -> tuple[set[int], SampleFacts | None]:
    """The sampled places and how they were drawn; all of them without a sample."""
    wish = options.sample
    if wish is None:
        return set(range(len(places))), None
    order = {b.block_id: k for k, b in enumerate(plan.orchard.blocks)}
    xy = np.array([v.xy for v in places])
    block = np.array([order[v.block_id] for v in places])
    cavities = np.array([float(plan.sites[v.site].cavities) for v in places])
    count = _count(wish, cavities, xy, block)
    sample = draw_sample(
        xy, block, count, seed=wish.seed, round_number=wish.panel - 1, flagged=list(flagged)
    )
    if wish.panels is not None and sample.num_rounds > wish.panels:
        raise InputError(
            _("{count} stops a round do not come to every site in {panels} rounds: that needs {needed} rounds, or {more} stops a round.")
            .format(count=count, panels=wish.panels, needed=sample.num_rounds, more=_for_panels(wish, xy, block))
        )  # fmt: skip
    seen, n = len(sample.sites), len(places)
    wanted = dict.fromkeys((*WANTED, *((wish.half_width,) if wish.half_width else ())))
    facts = SampleFacts(
        population=n, count=seen, panel=wish.panel, panels=sample.num_rounds, seed=wish.seed,
        half_width=_half_width(seen, cavities, flagged),
        wanted=tuple((w, smallest_count(w, n, size_cv=size_cv(cavities))) for w in sorted(wanted)) if n >= 2 else (),
    )  # fmt: skip
    return {int(i) for i in sample.sites}, facts


def _half_width(seen: int, cavities: NDArray[np.float64], flagged: Sequence[int]) -> float:
    """How near the share is told, at most 1: flagged sites are all seen, so they say nothing of the others."""
    others = np.delete(cavities, flagged)
    if seen == len(cavities) or len(others) < 2 or not cavities.sum():
        return 0.0
    half = expected_half_width(max(seen - len(flagged), 2), len(others), size_cv=size_cv(others))
    return min(1.0, float(others.sum() / cavities.sum()) * half)


def _count(wish: SampleOptions, cavities: NDArray[np.float64], xy: NDArray[np.float64], block: NDArray[np.int64]) -> int:
    n = len(cavities)
    if wish.stops is not None:
        if not 1 <= wish.stops <= n:
            raise InputError(
                _("A sample of {count} stops cannot be drawn from {n} sites.").format(count=wish.stops, n=n)
            )
        return wish.stops
    if wish.share is not None:
        return min(n, max(1, math.ceil(wish.share * n - 1e-9)))
    if wish.half_width is not None:
        return smallest_count(wish.half_width, n, size_cv=size_cv(cavities)) if n >= 2 else n
    return _for_panels(wish, xy, block)


def _for_panels(wish: SampleOptions, xy: NDArray[np.float64], block: NDArray[np.int64]) -> int:
    """The fewest stops a round with which the panels together see every site."""
    n, panels = len(xy), wish.panels or 1
    low, high = math.ceil(n / panels), n
    while low < high:
        middle = (low + high) // 2
        if draw_sample(xy, block, middle, seed=wish.seed).num_rounds <= panels:
            high = middle
        else:
            low = middle + 1
    return low
