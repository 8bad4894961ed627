"""One crew in one block: the cheapest round past all stops, by the frontier programme."""

from __future__ import annotations

from mudcap.route.beyond import directed, search
from mudcap.route.blocktour import BlockTour
from mudcap.route.exact import exact
from mudcap.route.options import RoundParams
from mudcap.route.search import UNWATCHED, Watch
from mudcap.route.steps import TooWide
from mudcap.route.stopgraph import StopGraph


def solve_block(
    graph: StopGraph, params: RoundParams | None = None, *, watch: Watch = UNWATCHED
) -> BlockTour:
    """Return the cheapest round that serves every stop, each from whichever of its ways suits best.

    Exact for any graph whose frontier stays narrow, such as parallel drive rows with a few headlands and cross-roads, whole
    or with rows missing, cut or of unequal length. ``plain_states``, ``max_states`` and ``max_depths`` keep the work in
    bounds. Where they had to drop so much that the bound is not within one percent, a local search follows, and the sides are
    settled for one half of the tree rows at a time, the other half held. The status is ``feasible`` unless the bound proves the
    round. Where ways are one-way, the states hold the balance of the vertices (see `directed`); where the network is too wide for
    the programme, a local search finds the round, which on ground with one-way ways also begins with rounds of thinned ground, and
    a linear programme bounds it (``method``). There lines across the drive rows follow where the bound is not within one percent,
    then the programme guided by them (see `courses`), or branch and bound on ground too wide even for that. ``watch`` hears how far it is, where it takes long,
    and may end it with the best round so far.

    Raises ``ValueError`` where the graph is malformed or a stop cannot be reached from the start and left again.
    """
    graph.check()
    params = params or RoundParams()
    try:
        return (directed if graph.directions.any() else exact)(graph, params, watch)
    except TooWide:
        return search(graph, params, watch)
