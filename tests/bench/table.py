"""The whole table of the placement solver in one run: even, mean and farthest, ours and all peers.

python tests/bench/table.py --i40 TREES.csv --tsplib u1060.tsp --tsplib rl1304.tsp --tsplib u1432.tsp
"""

from __future__ import annotations

import argparse

import evenness
import farthest
from instances import b40, b640, i40, tsplib


def main() -> None:
    """Run both benches, the farthest level at the largest effort asked for."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    evenness.add_arguments(parser)
    args = parser.parse_args()
    evenness.run(args)
    cases = [(b40(), 360), (b40(), 300), (b40(), 299), (b640(), 5760)]
    if args.i40:
        cases.insert(1, (i40(args.i40), 360))
    for path in args.tsplib:
        points = tsplib(path)
        cases += [(points, count) for name, count in farthest.PUBLISHED if name == points.name]
    for instance, count in cases:
        if args.only is None or instance.name in args.only.split(","):
            for text in farthest.rows(instance, count, args.efforts.split(",")[-1], not args.no_peers):
                print(text, flush=True)


if __name__ == "__main__":
    main()
