"""How long packages, loads and the whole supply take at ranch scale: `python tests/bench/supply.py [--sites N …]`.

Prints for each number of sites the time of filling them with whole packages (process seconds), the levels with their
bounds, the gap, and the time of cutting loads; once with goods for sale and once with what is on hand alone. Needs of the
sites scatter as those of a planned block do. Bin packing is timed on the published instances of the tests.
"""

from __future__ import annotations

import argparse
import random
import sys
import time
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import TypeVar

sys.path.insert(0, str(Path(__file__).parents[1] / "supply"))

from packing_instances import U120, triplets, uniform

from mudcap.supply.fewest_loads import fewest_loads
from mudcap.supply.loads import Capacity, Goods, loads
from mudcap.supply.packages import fill_sites
from mudcap.supply.params import PackageParams

DAY = date(2027, 1, 15)
T = TypeVar("T")


def timed(make: Callable[[], T]) -> tuple[T, float]:
    """What `make` gives, and the process seconds it took."""
    start = time.process_time()
    return make(), time.process_time() - start


def yard(sites: int, for_sale: bool) -> list[PackageParams]:
    """Three materials in six sizes and a lot with disease; without sales about a third of what is needed."""
    share = sites / 10_000 * (1 if for_sale else 0.33)

    def of(name: str, kind: str, cavities: int, stock: int, cost: float, buyable: bool = True, **more: object) -> PackageParams:
        return PackageParams(
            name=name, kind=kind, cavities=cavities, stock=round(stock * share), cost=cost, buyable=buyable and for_sale, **more  # type: ignore[arg-type]
        )  # fmt: skip

    return [
        of("tubes 50", "tubes", 50, 5000, 9.0), of("tubes 20", "tubes", 20, 3000, 4.0), of("tubes 10", "tubes", 10, 2000, 2.5),
        of("laminate 48", "laminate", 48, 4000, 30.0, False), of("laminate 24", "laminate", 24, 3000, 17.0, False),
        of("reed 25", "reed", 25, 6000, 5.0),
        of("old tubes 50", "tubes", 50, 300, 0.0, False, from_block="B3", disease=True, sanitised=DAY),
    ]  # fmt: skip


def fill(sites: int) -> None:
    """One line for each yard."""
    draw = random.Random(1)
    needs = [min(140, max(40, round(draw.gauss(89, 9)))) for _site in range(sites)]
    blocks = [f"B{k * 30 // sites}" for k in range(sites)]
    for for_sale in (True, False):
        packages = yard(sites, for_sale)
        filling, seconds = timed(lambda packages=packages: fill_sites(needs, blocks, packages, day=DAY))  # type: ignore[misc]
        levels = "; ".join(f"{v.name} {v.value:,g}" + ("" if v.status == "optimal" else f" (bound {v.bound})") for v in filling.levels)
        proven = all(v.status == "optimal" for v in filling.levels)
        print(f"{sites:>6} sites, {'goods for sale' if for_sale else 'stock alone':14}: {seconds:6.2f} s, {'proven' if proven else 'NOT PROVEN'}: {levels}")
    goods = [Goods(shelters=1, litres=20 + n / 50, kg=2 + n / 80) for n in needs]
    found, seconds = timed(lambda: loads(range(sites), goods, Capacity(shelters=60, kg=180)))
    print(f"{sites:>6} sites in {len(found)} loads: {seconds:6.2f} s")


def pack() -> None:
    """Published and made instances of bin packing."""
    cases = [(f"u120, optimum {n}", uniform(n), 150, n) for n in sorted(U120)]
    cases += [(f"triplets, {3 * n} items, optimum {n}", triplets(n, seed), 1000, n) for n, seed in ((10, 2), (20, 3), (40, 4))]
    for name, items, limit, optimum in cases:
        packing, seconds = timed(lambda items=items, limit=limit: fewest_loads(items, (limit,)))  # type: ignore[misc]
        print(f"{name:38}: {len(packing.loads)} loads (optimum {optimum}, bound {packing.bound}), {seconds:6.2f} s")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sites", type=int, action="append")
    parser.add_argument("--no-packing", action="store_true")
    chosen = parser.parse_args()
    for count in chosen.sites or [400, 2_000, 10_000]:
        fill(count)
    if not chosen.no_packing:
        pack()
