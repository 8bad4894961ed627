"""Kill a writing run at random moments, again and again, and see that the folder is always the old plan or the new one.

    python tests/bench/kill_loop.py [SECONDS]

Prints how often it was killed, and where the kills fell. The tests run it for a few seconds.
"""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

TESTS = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(TESTS))

from mudcap.files.atomic import READY, STAGE, locked  # noqa: E402
from mudcap.files.export import write_plan  # noqa: E402
from mudcap.files.store import read_earlier  # noqa: E402

WRITER = """
import itertools, sys
sys.path.insert(0, sys.argv[2])
from pathlib import Path
from small_plan import two_block_plan
from mudcap.files.export import write_plan  # noqa: E402
plans = [(two_block_plan(per_block=n), f"map of {n}") for n in (3, 5)]
print("ready", flush=True)
for plan, page in itertools.cycle(plans):
    write_plan(plan, Path(sys.argv[1]), {"map.html": page})
"""


def contents(directory: Path) -> dict[str, bytes]:
    """Every file of the folder."""
    return {p.name: p.read_bytes() for p in directory.iterdir() if p.is_file()}


def reference() -> dict[int, dict[str, bytes]]:
    """What each of the two plans looks like, written in peace."""
    from small_plan import two_block_plan

    out = {}
    for count in (3, 5):
        with tempfile.TemporaryDirectory() as folder:
            write_plan(two_block_plan(per_block=count), Path(folder), {"map.html": f"map of {count}"})
            out[count] = contents(Path(folder))
    return out


def kill_loop(seconds: float, seed: int = 0) -> Counter[str]:
    """Kill for so long; raises ``AssertionError`` where a folder is neither plan whole."""
    random.seed(seed)
    whole, seen = reference(), Counter[str]()
    end = time.monotonic() + seconds
    with tempfile.TemporaryDirectory() as folder:
        directory = Path(folder) / "out"
        directory.mkdir()
        (directory / "mine.txt").write_text("mine")
        while time.monotonic() < end:
            writer = subprocess.Popen(
                [sys.executable, "-c", WRITER, str(directory), str(TESTS)], stdout=subprocess.PIPE
            )
            assert writer.stdout is not None and writer.stdout.readline() == b"ready\n"
            time.sleep(random.uniform(0.0, 1.5))
            os.kill(writer.pid, signal.SIGKILL)
            writer.wait()
            writer.stdout.close()
            moment = (
                "ready"
                if (directory / READY).exists()
                else "staging"
                if (directory / STAGE).exists()
                else "between"
            )
            with locked(directory):  # what the next run does first
                pass
            left = contents(directory)
            assert left.pop("mine.txt") == b"mine"
            if left:
                assert left in whole.values(), f"killed while {moment}: neither plan whole: {sorted(left)}"
                read_earlier(directory / "plan.gpkg")
            seen[moment if left else f"{moment}, nothing yet"] += 1
    return seen


if __name__ == "__main__":
    print(dict(kill_loop(float(sys.argv[1]) if len(sys.argv) > 1 else 300.0, seed=os.getpid())))
