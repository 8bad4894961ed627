"""How hard to try: the frontier programme outright, or, where its states are too many, guided by lower bounds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from mudcap.route.frontier import Outcome, run
from mudcap.route.relax import Cut, relax
from mudcap.route.steps import Step

_PLAIN_WORK = 3e7
"""States times options that are tried outright: one or two seconds."""
_RELAXATIONS = ((32, 16_384), (512, 131_072))
"""Values of open groups that are kept and states allowed: first a quick relaxation, then a tight one."""
_WIDTHS = (300, 3_000)
_GUIDED_WORK = 1.5e8
"""States times options beyond which no round that is guided by bounds is widened."""
_WORTH = 2
"""The tighter relaxation is tried where the guided work allows at least so many times the last of these widths."""


def cheapest(
    steps: Sequence[Step],
    cuts: Sequence[Cut],
    *,
    plain_states: int,
    max_states: int,
    upper: float = np.inf,
) -> Outcome | None:
    """Return the cheapest options with the bound proven; None where no choice serves all, or none for less than ``upper``.

    First outright. Where that takes too many states, rounds of growing width keep the most promising ones by their cost so
    far and the relaxed cost to go; each round leaves out what cannot beat the one before. A round that drops nothing which
    could win proves its result; where none does, the same again with a tighter relaxation.
    """
    plain = run(steps, max_states=plain_states, max_work=_PLAIN_WORK, give_up=True)
    if plain is not None:
        return plain
    best: Outcome | None = None
    bound, peak = 0.0, 1
    most = int(_GUIDED_WORK / sum(len(step.cost) for step in steps))
    for values, states in _RELAXATIONS:
        if bound > 0 and most < _WIDTHS[-1] * _WORTH:
            break  # so many ways that a tighter relaxation takes minutes and proves little more
        layers = relax(steps, choose_kept(steps, values), cuts, max_states=states)
        if layers is None and bound > 0:
            break
        bound = max(bound, layers[0].to_go[0] if layers else 0.0)
        tight = (values, states) == _RELAXATIONS[-1]
        widest = (min(max_states, max(most, _WIDTHS[-1])),) if tight or max_states < _WIDTHS[0] else ()
        widths = sorted({w for w in (*_WIDTHS, *widest) if w <= max_states})
        for width in [*widths, 4 * max_states, 16 * max_states]:
            if width > widths[-1] and (best is not None or np.isfinite(upper)):
                break  # wider than asked only where nothing at all was found
            found = run(steps, max_states=width, layers=layers, upper=upper)
            if found is None:
                return best
            bound, peak = max(bound, found.bound), max(peak, found.peak_states)
            if np.isfinite(found.cost) and (best is None or found.cost < best.cost):
                best, upper = found, min(upper, found.cost)
            if best is not None and bound >= best.cost - 1e-6:
                break
        if bound >= (best.cost if best is not None else upper) - 1e-6:
            break
    if best is None:
        return None
    return replace(best, bound=min(float(bound), best.cost), peak_states=peak)


def choose_kept(steps: Sequence[Step], most_values: int = _RELAXATIONS[-1][0]) -> list[NDArray[np.bool_]]:
    """For each step which of its groups the relaxed programme keeps: those open for the shortest time first.

    At no time may the kept ones that are open take more than ``most_values`` values together.
    """
    lives: list[tuple[int, int, int, int, int]] = []
    opened: dict[int, tuple[int, int, int]] = {}
    room = np.zeros(len(steps))
    for k, step in enumerate(steps):
        for g, (shift, closes) in enumerate(zip(step.shift.tolist(), step.closes.tolist(), strict=True)):
            if closes:
                begin, column, values = opened.pop(shift)
                lives.append((k - begin, begin, column, g, values))
            else:
                values = len(np.unique(step.left[:, 2 * g : 2 * g + 2], axis=0))
                opened[shift] = (k, g, values)
    kept = [np.zeros(len(step.shift), bool) for step in steps]
    for span, begin, column, other, values in sorted(lives):
        during = slice(begin, begin + span)
        if room[during].max() + np.log(values) <= np.log(most_values):
            room[during] += np.log(values)
            kept[begin][column] = kept[begin + span][other] = True
    return kept
