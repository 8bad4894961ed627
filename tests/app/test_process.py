"""The command as a process: killed, stopped, starved of disk and files, its pipes closed, its surroundings bare."""

from __future__ import annotations

import json
import os
import resource
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from small_ranch import make_ranch

from bench.kill_loop import kill_loop
from mudcap.files.outputs import OUTPUTS

HERE = Path(__file__).parent
COMMAND = "import mudcap.app.runner as r, sys; r.SOLVER = 'solvers:{solver}'; from mudcap.app.cli import main; main(sys.argv[1:])"


def start(*arguments: object, solver: str = "good", **options) -> subprocess.Popen:
    """The command with a stand-in solver, as a process of its own."""
    environment = {**os.environ, "PYTHONPATH": str(HERE), **options.pop("env", {})}
    pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, **options}
    return subprocess.Popen(
        [sys.executable, "-c", COMMAND.format(solver=solver), *map(str, arguments)],
        env=environment,
        text=True,
        **pipes,
    )


def finish(process: subprocess.Popen) -> tuple[int, str, str]:
    out, err = process.communicate(timeout=120)
    assert "Traceback" not in (out or "") + (err or "")
    return process.returncode, out, err


def test_help_is_quick_and_imports_nothing_heavy():
    """Under 0.3 s of CPU; no array, geometry, map, table or solver library is loaded."""
    probe = (
        "import sys, time; from mudcap.app.cli import run; run(['--help']); run(['plan', '--help'])\n"
        "heavy = {'numpy', 'scipy', 'shapely', 'pyproj', 'pyogrio', 'folium', 'reportlab', 'numba', 'ortools', 'rich', 'sqlite3'}\n"
        "print(sorted(heavy & set(sys.modules)), time.process_time())"
    )
    out = subprocess.run([sys.executable, "-c", probe], capture_output=True, text=True, check=True).stdout
    last = out.splitlines()[-1]
    assert last.startswith("[] ") and float(last.split()[1]) < 0.3


def test_kills_while_writing_leave_the_old_plan_or_the_new_one():
    """SIGKILL at random moments for a few seconds (the bench goes on for longer)."""
    assert sum(kill_loop(6.0).values()) >= 1


def wait_for(path: Path, seconds: float = 60.0) -> None:
    end = time.monotonic() + seconds
    while not path.exists() and time.monotonic() < end:
        time.sleep(0.02)
    assert path.exists()


def read_until(process: subprocess.Popen, word: str) -> None:
    assert process.stderr is not None
    said = []
    for line in process.stderr:
        said.append(line)
        if word in line:
            return
    out, err = process.communicate()
    raise AssertionError(f"{word!r} was never said; exit code {process.returncode}; said:\n{''.join(said)}{err}{out}")


def test_a_stop_by_hand_writes_the_best_so_far_marked(tmp_path):
    """Ctrl-C: exit 130; all files there; the report says it is not reproducible."""
    ranch = make_ranch(tmp_path / "r")
    process = start("plan", ranch, solver="patient")
    read_until(process, "placing sites")
    time.sleep(1.0)
    process.send_signal(signal.SIGINT)
    code, out, err = finish(process)
    assert code == 130 and "best so far" in out and "stopping" in err
    assert sorted(os.listdir(ranch / "out")) == sorted(OUTPUTS)
    report = json.loads((ranch / "out" / "report.json").read_text())
    assert report["reproducible"] is False and "solver_stopped" in {f["code"] for f in report["findings"]}


@pytest.mark.parametrize("moment", ["checking the plan", "drawing map and sheet"])
def test_a_stop_when_the_plan_is_made_keeps_it(tmp_path, moment):
    """With goods, whose solver listens to Ctrl-C too: all files are there, and the process ends by itself."""
    goods = '[supply]\n[[supply.packages]]\nname = "T50"\nkind = "tubes"\ncavities = 50\nbuyable = true\n'
    ranch = make_ranch(tmp_path / "r", toml=goods)
    process = start("plan", ranch)
    read_until(process, moment)
    process.send_signal(signal.SIGINT)
    code, _out, err = finish(process)
    assert code in (0, 130) and "unexpectedly" not in err
    assert sorted(os.listdir(ranch / "out")) == sorted(OUTPUTS)


def test_a_second_stop_gives_up_and_leaves_the_folder_alone(tmp_path):
    """A polite kill, then Ctrl-C: nothing is written, and soon."""
    ranch = make_ranch(tmp_path / "r")
    process = start("plan", ranch, solver="hang")
    read_until(process, "placing sites")
    process.send_signal(signal.SIGTERM)
    read_until(process, "stopping")
    process.send_signal(signal.SIGINT)
    code, _, err = finish(process)
    assert code == 130 and "nothing was written" in err and not (ranch / "out").exists()


def test_a_kill_in_the_middle_leaves_nothing_that_hinders_the_next_run(tmp_path):
    """Neither a lock nor a child that goes on."""
    ranch = make_ranch(tmp_path / "r")
    process = start("plan", ranch, solver="patient")
    read_until(process, "placing sites")
    children = subprocess.run(
        ["ps", "-o", "pid=", "--ppid", str(process.pid)], capture_output=True, text=True
    ).stdout.split()
    process.kill()
    process.communicate()
    assert finish(start("plan", ranch))[0] == 0 and sorted(os.listdir(ranch / "out")) == sorted(OUTPUTS)
    end = time.monotonic() + 30
    while any(Path(f"/proc/{pid}").exists() for pid in children) and time.monotonic() < end:
        time.sleep(0.1)
    assert not [pid for pid in children if Path(f"/proc/{pid}").exists()]


def test_a_full_disk_ends_in_one_message_and_the_old_files(tmp_path):
    """No file may grow beyond 100 kB, as if the disk were full: the GeoPackage fails, nothing is half written."""
    ranch = make_ranch(tmp_path / "r")
    assert finish(start("plan", ranch))[0] == 0
    before = {p.name: p.read_bytes() for p in (ranch / "out").iterdir()}

    def limit() -> None:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, 100_000))

    code, _, err = finish(start("plan", ranch, "--quiet", "--per-acre", 7, preexec_fn=limit))
    assert (
        code == 1 and "full" in err and {p.name: p.read_bytes() for p in (ranch / "out").iterdir()} == before
    )


def test_closed_streams_do_not_cost_the_plan(tmp_path):
    """stdout and stderr closed: the files are whole, and what is printed does not end up in one of them."""
    ranch = make_ranch(tmp_path / "r")
    process = start("plan", ranch, stdout=None, stderr=None, preexec_fn=lambda: (os.close(1), os.close(2)))
    assert finish(process)[0] == 0 and sorted(os.listdir(ranch / "out")) == sorted(OUTPUTS)
    assert (ranch / "out" / "report.json").read_text().startswith("{") and (
        ranch / "out" / "sheet.pdf"
    ).read_bytes().startswith(b"%PDF")


def test_bare_surroundings_and_a_pipe_that_nobody_reads(tmp_path):
    """LANG=C, no HOME, 48 open files at most, names in two scripts, a broken pipe: nothing falls over, names are kept."""
    ranch = make_ranch(tmp_path / "Ñandú 東", "Ñandú 東 40")
    reader, writer = os.pipe()
    os.close(reader)
    bare = {"LANG": "C", "LC_ALL": "C", "HOME": "/nonexistent", "PYTHONUTF8": "0"}
    few = lambda: resource.setrlimit(resource.RLIMIT_NOFILE, (48, 48))  # noqa: E731
    code, _, err = finish(start("plan", ranch, "--json", stdout=writer, env=bare, preexec_fn=few))
    os.close(writer)
    assert code == 0 and "Broken" not in err and sorted(os.listdir(ranch / "out")) == sorted(OUTPUTS)
    assert (
        json.loads((ranch / "out" / "report.json").read_text(encoding="utf-8"))["blocks"][0]["id"]
        == "Ñandú 東 40"
    )


def test_the_bars_of_a_terminal_are_drawn(tmp_path):
    """On a terminal stderr gets a bar instead of lines; stdout stays the same."""
    import pty

    ranch = make_ranch(tmp_path / "r")
    ours, theirs = os.openpty() if hasattr(os, "openpty") else pty.openpty()
    process = start("plan", ranch, stderr=theirs, env={"TERM": "xterm"})
    os.close(theirs)
    seen = b""
    while True:
        try:
            chunk = os.read(ours, 4096)
        except OSError:
            break
        if not chunk:
            break
        seen += chunk
    os.close(ours)
    out, _ = process.communicate(timeout=60)
    assert process.returncode == 0 and "20 shelters" in out and b"\x1b[" in seen and b"Traceback" not in seen
