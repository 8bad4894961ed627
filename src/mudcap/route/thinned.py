"""Wide ground thinned out to three roads across the drive rows, on which the frontier programme finds rounds to begin a search with.

Where many roads cross one-way drive rows, the local search alone hardly finds out which rows go well together. A round that keeps
to both headlands and one road between them is near the best where most rows are driven from end to end, and is found in seconds.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from mudcap.route.stopgraph import StopGraph, levels


def thinned(graph: StopGraph) -> Iterator[StopGraph]:
    """The graph with its outermost roads across the drive rows, and with one of the others each, from the middle outwards.

    Roads are told apart by their number along the columns; those that lead from one number to another stay, and so do those with
    places on them. Stops keep their numbers, ways do not.
    """
    level = levels(graph)
    heads = np.where(graph.head >= 0, graph.head, graph.tail)
    is_road = ~graph.is_aisle & (level[graph.tail] == level[heads])
    is_road[graph.place_edge] = False
    number = np.bincount(graph.column)[graph.column] - 1
    is_outer = (level == 0) | (level == number)
    top = int(level.max())
    for road in sorted(range(1, max(2, top)), key=lambda road: abs(2 * road - top)):
        stays = ~is_road | (is_outer | (level == road))[graph.tail]
        way = np.cumsum(stays) - 1
        yield replace(
            graph, tail=graph.tail[stays], head=graph.head[stays], length_m=graph.length_m[stays],
            is_aisle=graph.is_aisle[stays], one_way=graph.directions[stays], place_edge=way[graph.place_edge],
        )  # fmt: skip
