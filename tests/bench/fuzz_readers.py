"""Flip and cut bytes of small good files of every kind: right acres, or refused; never a traceback, never a silent half.

    python tests/bench/fuzz_readers.py [rounds] [file …]

Files given are fuzzed beside the made ones (their acres are those read before the first byte is touched). Prints a table:
kind, tries, refused, right, lost aloud (a block named in a finding of level error), changed. Text formats carry no check
sum, so a flipped digit there is another file that says other acres; those are counted as changed and are no fault.
"""

from __future__ import annotations

import sys
import tempfile
import time
import warnings
from collections import Counter
from collections.abc import Iterator, Mapping
from pathlib import Path

import numpy as np

sys.path[:0] = [str(Path(__file__).parents[1] / "files")]

import dresses as d  # noqa: E402 the path must be set first

from mudcap.errors import InputError  # noqa: E402 as above


def good_files(folder: Path) -> dict[str, Mapping[str, bytes] | bytes]:
    """The two-block ranch in each dress, as bytes or as parts of a shapefile."""
    import geopandas
    import shapely

    two = [("A", d.BLOCK), ("B", d.SECOND)]
    parts = d.shapefile([[d.clockwise(r)] for _n, r in two], ["A", "B"])
    kml = d.kml("".join(d.placemark(n, r) for n, r in two))
    table = "block,lat,lon\n" + "".join(f"{n},{y},{x}\n" for n, r in two for x, y in r[:-1])
    frame = geopandas.GeoDataFrame({"block": ["A", "B"]}, geometry=[shapely.Polygon(r) for _n, r in two], crs=4326)
    frame.to_file(folder / "made.gpkg", layer="blocks", driver="GPKG")
    return {
        "geojson": d.geojson(two),
        "kml": kml,
        "gpx": d.gpx([(n, [r]) for n, r in two]),
        "csv": table.encode(),
        "kmz": d.zipped({"doc.kml": kml}),
        "zip": d.zipped({f"b.{k}": v for k, v in parts.items()}),
        "shp": parts,
        "shx": parts,
        "dbf": parts,
        "prj": parts,
        "gpkg": (folder / "made.gpkg").read_bytes(),
    }


def spoiled(data: bytes, rng: np.random.Generator) -> bytes:
    """`data` with one bit flipped, or a few bytes flipped, set, cut out, doubled or its end lost."""
    out = bytearray(data)
    if rng.random() < 0.5:
        out[int(rng.integers(len(out)))] ^= 1 << int(rng.integers(8))
        return bytes(out)
    for _k in range(int(rng.integers(1, 4))):
        at = int(rng.integers(len(out)))
        how = int(rng.integers(6))
        if how == 0:
            out[at] ^= 1 << int(rng.integers(8))
        elif how == 1:
            out[at] = int(rng.integers(256))
        elif how == 2:
            out[at : at + int(rng.integers(1, 9))] = bytes(rng.integers(0, 256, 4, dtype=np.uint8))
        elif how == 3:
            del out[at : at + int(rng.integers(1, 40))]
        elif how == 4:
            out[at:at] = out[at : at + int(rng.integers(1, 40))]
        else:
            del out[at:]
        if not out:
            return b"\0"
    return bytes(out)


def verdict(path: Path, acres: float) -> str:
    """What reading a spoiled file came to: refused, right, lost (aloud) or changed."""
    try:
        orchard, findings = d.read(path)
    except InputError as error:
        assert "unexpected fault" not in str(error), error  # the last net caught what a reader should have said
        return "refused"
    if abs(d.acres_of(orchard) - acres) <= 1e-3 * acres:
        return "right"
    return "lost" if any(f.level == "error" for f in findings) else "changed"


def fuzz(kinds: Mapping[str, Mapping[str, bytes] | bytes], rounds: int, seed: int, folder: Path) -> Iterator[tuple[str, str]]:
    """Kind and verdict of each spoiled file; whatever a reader raises beside ``InputError`` comes through."""
    rng = np.random.default_rng(seed)
    acres = d.BLOCK_ACRES + d.SECOND_ACRES
    for _round in range(rounds):
        for kind, good in kinds.items():
            if isinstance(good, bytes):
                path = d.write(folder, f"f.{kind}", spoiled(good, rng))
            else:
                path = d.write(folder, "f.shp", {**good, kind: spoiled(good[kind], rng)})
            yield kind, verdict(path, acres)


def main() -> None:
    """Print the table for the made files and those given."""
    rounds = int(sys.argv[1]) if len(sys.argv) > 1 else 300
    warnings.simplefilter("error")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        kinds = good_files(folder)
        start = time.process_time()
        count = Counter(fuzz(kinds, rounds, 1, folder))
        print(f"{'kind':10} {'tries':>6} {'refused':>8} {'right':>6} {'lost':>5} {'changed':>8}")
        for kind in kinds:
            row = [count[kind, v] for v in ("refused", "right", "lost", "changed")]
            print(f"{kind:10} {sum(row):6d} {row[0]:8d} {row[1]:6d} {row[2]:5d} {row[3]:8d}")
        for path in map(Path, sys.argv[2:]):
            orchard, _ = d.read(path)
            rng, data, acres = np.random.default_rng(2), path.read_bytes(), d.acres_of(orchard)
            tries = Counter(
                verdict(d.write(folder, f"x{path.suffix}", spoiled(data, rng)), acres) for _k in range(rounds)
            )
            print(f"{path.name}: {dict(tries)}")
        print(f"{time.process_time() - start:.1f} s CPU")


if __name__ == "__main__":
    main()
