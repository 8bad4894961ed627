"""A child that is a copy of its parent works, and ends, just as one that is begun anew; nothing of the parent stays open in it."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from small_ranch import make_ranch

from mudcap.app import processes

linux = pytest.mark.skipif(sys.platform != "linux", reason="no copies are taken elsewhere")

CHILD = '''
import io, json, os, sys
from mudcap.app import processes

def tell(pipe, *more):
    """What the child sees: its open files that lead somewhere, and what it was given."""
    paths = {int(n): os.readlink(f"/proc/self/fd/{n}") for n in os.listdir("/proc/self/fd") if os.path.exists(f"/proc/self/fd/{n}")}
    pipe.send((sorted(p for n, p in paths.items() if n > 2 and p != os.devnull and not p.startswith("/proc")), more, os.getppid()))
    sys.stdout.write("printed\\n")
    sys.stdout.flush()
    try:
        pipe.recv()
    except EOFError:
        sys.stderr.write("closed\\n")  # at once, unlike print: another child writes too
        sys.stderr.flush()

if __name__ == "__main__":
    read, held, stdout, stderr = open(__file__), open(sys.argv[1], "w"), sys.stdout, sys.stderr
    sys.stdout, sys.stderr = io.StringIO(), io.StringIO()
    child, pipe = processes.start(tell, "given", 7, name="mudcap-test")
    files, more, parent = pipe.recv()
    other, its_pipe = processes.start(tell, name="mudcap-test")
    its_pipe.recv()
    sys.stdout, sys.stderr = stdout, stderr
    seen = [processes.can_fork(), __file__ in files, sys.argv[1] in files, more, parent == os.getpid(), child.is_alive()]
    sys.stdout.write(json.dumps(seen) + "\\n")
    sys.stdout.flush()
    if sys.argv[2] == "die":
        os.kill(os.getpid(), 9)
    pipe.close()
    child.join(30)
    print(child.exitcode, other.is_alive())
    its_pipe.close()
    other.join(30)
'''


def run(tmp_path: Path, end: str, **environment: str) -> subprocess.CompletedProcess[str]:
    """A program that starts one child and looks at it, in a process of its own that has one thread."""
    program = tmp_path / "program.py"
    program.write_text(CHILD)
    return subprocess.run(
        [sys.executable, str(program), str(tmp_path / "held"), end],
        capture_output=True, text=True, timeout=60, env={**os.environ, **environment},
    )  # fmt: skip


@linux
@pytest.mark.parametrize("how", ["", "spawn"])
def test_a_child_holds_nothing_that_others_wait_for(tmp_path, how):
    """A copy keeps what its parent only reads. Either knows its parent, prints where that one did, ends well when its pipe closes."""
    done = run(tmp_path, "close", **{processes.HOW: how})
    lines = [line for line in done.stdout.splitlines() if line != "printed"]
    assert json.loads(lines[0]) == [not how, not how, False, ["given", 7], True, True]
    assert lines[1] == "0 True" and done.stderr == "closed\n" * 2


@linux
@pytest.mark.parametrize("how", ["", "spawn"])
def test_children_hear_that_their_parent_was_killed(tmp_path, how):
    """The pipes close at once: neither child holds the other's far end."""
    done = run(tmp_path, "die", **{processes.HOW: how})
    assert done.returncode == -9 and done.stderr == "closed\n" * 2


@linux
def test_no_copy_is_taken_of_a_process_with_two_threads():
    """A lock that the other thread holds would stay shut in the copy."""
    probe = (
        "import threading; from mudcap.app.imports import one_thread; from mudcap.app.processes import can_fork\n"
        "before = can_fork(); one_thread(); import numpy, scipy.spatial, shapely; loaded = can_fork()\n"
        "end = threading.Event(); other = threading.Thread(target=end.wait); other.start()\n"
        "print(before, loaded, can_fork()); end.set(); other.join()"
    )
    out = subprocess.run([sys.executable, "-c", probe], capture_output=True, text=True, check=True).stdout
    assert out == "True True False\n"


@linux
def test_copies_and_new_processes_write_the_same_files(tmp_path):
    """The real solver, all papers; a copy loads nothing twice, but what it computes is the same."""
    ranch, seen = make_ranch(tmp_path / "r"), []
    for how in ("", "spawn"):
        out = tmp_path / f"out{how}"
        subprocess.run(
            [sys.executable, "-m", "mudcap", "plan", str(ranch), "--quick", "--quiet", "-o", str(out)],
            check=True, timeout=300, env={**os.environ, processes.HOW: how},
        )  # fmt: skip
        seen.append({path.name: path.read_bytes() for path in out.iterdir()})
    assert seen[0] == seen[1] and "sheet.pdf" in seen[0]


def test_what_nobody_uses_is_not_loaded_until_somebody_does():
    """Neither by arrays and trees nor by what draws; used after all, it works as ever."""
    probe = (
        "import sys; from mudcap.app.imports import UNUSED, put_off_unused; put_off_unused(); put_off_unused()\n"
        "import scipy.optimize, scipy.spatial, scipy.sparse.csgraph, types; from mudcap.app.plan import load_ahead\n"
        "load_ahead(types.SimpleNamespace(load=lambda: None))\n"
        "lazy = lambda: {n for n in UNUSED if type(sys.modules[n]).__name__ == '_LazyModule'}\n"
        "print(sorted(UNUSED - lazy()))\n"
        "import numpy; print(numpy.polynomial.Polynomial([1, 2])(3), sorted(UNUSED - lazy()))"
    )
    out = subprocess.run([sys.executable, "-c", probe], capture_output=True, text=True, check=True).stdout
    assert out == "[]\n7.0 ['numpy.polynomial']\n"


def test_what_one_thread_leaves_out_another_may_load_meanwhile():
    """The solvers of packages load pandas while what draws is loaded beside them without it."""
    probe = (
        "import importlib, threading; from mudcap.app.imports import left_out\n"
        "inside, end, said = threading.Event(), threading.Event(), []\n"
        "def beside():\n"
        "    with left_out('pandas', 'geopandas'):\n"
        "        try: import pandas\n"
        "        except ImportError as error: said.append(error.name)\n"
        "        inside.set(); end.wait()\n"
        "    import geopandas; said.append(geopandas.__name__)\n"
        "thread = threading.Thread(target=beside, daemon=True); thread.start(); inside.wait()\n"
        "from ortools.sat.python import cp_model\n"
        "end.set(); thread.join(); import pandas; print(cp_model.CpModel().name, said, pandas.Series([2]).sum())"
    )
    done = subprocess.run([sys.executable, "-c", probe], capture_output=True, text=True, timeout=120)
    assert done.stderr == "" and done.stdout == " ['pandas', 'geopandas'] 2\n"


def test_a_command_ends_with_all_it_printed_and_its_exit_code(tmp_path):
    """The process ends without taking down what it loaded: what was printed is whole before, and what waits for its end is done."""
    ranch = make_ranch(tmp_path / "r")
    end = "import atexit, sys; from mudcap.app.cli import main; atexit.register(lambda: sys.stderr.write('end')); main()"
    for arguments, code in ((["look", str(ranch), "--json", "--quiet"], 0), (["look", str(tmp_path / "none"), "--json"], 3)):
        done = subprocess.run([sys.executable, "-c", end, *arguments], capture_output=True, text=True, timeout=60)
        assert done.returncode == code and json.loads(done.stdout) and done.stderr.endswith("end")
