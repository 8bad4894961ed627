"""The columns of the linear programme: what they serve."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from route_blocks import seven_roads

from mudcap.route.blocktour import all_options, turn_costs
from mudcap.route.columns import Columns, lay_columns
from mudcap.route.options import RoundParams
from mudcap.route.stopgraph import StopGraph


def _columns(graph: StopGraph) -> Columns:
    groups, of_edge, options, _ = all_options(graph, turn_costs(graph, RoundParams()), RoundParams())
    return lay_columns(graph, groups, of_edge, options)


def test_stops_that_the_same_passes_serve_count_once() -> None:
    """Three stops more beside each one, between the same ways open one way only, leave the programme as it was."""
    graph = seven_roads()
    alone = _columns(graph)
    n = graph.num_stops
    crowded = replace(
        graph,
        place_stop=np.concatenate([graph.place_stop + k * n for k in range(4)]),
        place_m=np.concatenate([graph.place_m + 0.1 * k for k in range(4)]),
        place_edge=np.tile(graph.place_edge, 4), place_side=np.tile(graph.place_side, 4),
    )  # fmt: skip
    crowded.check()
    found = _columns(crowded)
    assert len(found.net.stop_ptr) == len(alone.net.stop_ptr) > 10
    for name in ("stop_ptr", "stop_column", "stop_one", "stop_other"):
        assert (getattr(found.net, name) == getattr(alone.net, name)).all(), name
    assert (found.asked == alone.asked).all()


def test_stops_served_from_different_depths_are_told_apart() -> None:
    """Where ways go both ways, who turns round on the way serves one stop and not the next."""
    graph = replace(seven_roads(), one_way=None)
    both = _columns(graph)
    assert len(both.net.stop_ptr) - 1 == graph.num_stops
