"""What the cheapest round must cost at least, by a linear programme with cutting planes (see `program`), and the prices that prove it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from mudcap.route.columns import lay_columns
from mudcap.route.courses import PricedLine
from mudcap.route.net import Floats
from mudcap.route.options import EdgeOptions, Group
from mudcap.route.program import PaidRows, Program
from mudcap.route.steps import NONE
from mudcap.route.stopgraph import StopGraph

ROUNDS = 60
"""Linear programmes from which prices are taken."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Prices:
    """The bound and what it is made of."""

    bound: float
    """[s]; no round costs less."""
    connection: PaidRows
    """Rows that each stop be served, and be linked with the start. On ground with one-way ways the value of option `SINGLE` of a
    one-way way counts for each pass; option -1 is a further pass of a two-way way, or a stay at either end of a one-way one."""
    parity: PaidRows
    """Rows that vertices be left as often as come to, options as in `connection`."""
    height: Floats
    """(v,) price of each passage away from a vertex, negative that of each to it [s]; 0 on ground without one-way ways."""
    value: tuple[Floats, ...]
    """For each way the (o,) values of its options in the programme's solution; on a one-way way its passes, at `SINGLE`."""
    rounds: int
    """Linear programmes solved."""
    num_rows: int
    """Rows found to be broken, and added."""
    lines: tuple[PricedLine, ...] = ()
    """Lines across the drive rows, with the prices of their quantities."""


def price_round(
    graph: StopGraph,
    groups: Sequence[Group],
    of_edge: Sequence[Sequence[int]],
    options: Sequence[EdgeOptions],
    *,
    rounds: int,
    goes_on: Callable[[float], bool] = lambda bound: True,
) -> Prices:
    """Bound the cheapest round by at most so many linear programmes, each with more rows than the one before.

    No more are solved once the bound hardly rises any more, or ``goes_on``, which hears it [s], says False.

    ``groups`` and ``of_edge`` as of `options.find_groups`, ``options`` of each way as of `options.edge_options`; the bound is one
    on rounds made of them, and on all rounds where they are complete.

    Raises ``ValueError`` where no round serves all stops, or ``rounds`` is less than 1.
    """
    if rounds < 1:
        raise ValueError("rounds: at least 1 is needed.")
    program = Program(graph, lay_columns(graph, groups, of_edge, options))
    program.tighten(rounds, goes_on=goes_on)
    return prices_of(program, options)


def prices_of(program: Program, options: Sequence[EdgeOptions]) -> Prices:
    """The bound of a programme that has been solved, and what it is made of."""
    return Prices(
        bound=max(0.0, program.bound()), connection=program.paid(is_parity=False), parity=program.paid(is_parity=True),
        height=program.height(), value=_values(program, options), rounds=program.num_solved, num_rows=program.num_added,
        lines=tuple(program.line_prices()),
    )  # fmt: skip


def _values(program: Program, options: Sequence[EdgeOptions]) -> tuple[Floats, ...]:
    """For each way the (o,) values of its options."""
    columns = program.columns
    value = [np.where(o.effect == NONE, 1.0, 0.0) for o in options]
    for e, o, z in zip(columns.edge.tolist(), columns.option.tolist(), program.value.tolist(), strict=True):
        if o >= 0:
            value[e][o] = z
    for e, found in enumerate(options):
        none = found.effect == NONE
        value[e][none] = max(0.0, 1.0 - float(value[e][~none].sum()))
    return tuple(value)
