"""The documents are true: what they name exists, what exists is named, and nothing of a private machine is in the files."""

from __future__ import annotations

import json
import re
import subprocess
from pathlib import Path

import click
import pytest

from mudcap.app.cli import commands
from mudcap.files.export import OUTPUTS

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
PLAN_LINE, TEST_LINE = "sh .ci/setup plan", "sh .ci/setup test"
UNWANTED = ("/wo" + "rk/", "/tmp/cr" + "ew", "../sha" + "red", "/ho" + "me/")
"""Paths of somebody's machine, in pieces so that this file does not hold them."""


def tracked() -> list[Path]:
    """Files that are in the repository."""
    try:
        listing = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, check=True).stdout
    except (OSError, subprocess.CalledProcessError):
        pytest.skip("no git checkout")
    return [ROOT / name for name in listing.decode().split("\0") if name and (ROOT / name).is_file()]


def test_the_readme_has_both_command_lines_and_ci_runs_the_second():
    """Each stands alone in a code block; .ci/run calls exactly the test line."""
    blocks = [
        line.strip()
        for block in re.findall(r"```[a-z]*\n(.*?)```", README, re.S)
        for line in block.splitlines()
    ]
    assert PLAN_LINE in blocks and TEST_LINE in blocks
    calls = [
        line for line in (ROOT / ".ci" / "run").read_text().splitlines() if line and not line.startswith("#")
    ]
    assert calls == ["set -eu", 'cd "$(dirname "$0")/.."', TEST_LINE]


def test_the_set_up_installs_the_test_extras_with_pinned_versions():
    """The constraints pin by name and version only."""
    lines = (ROOT / ".ci" / "constraints.txt").read_text().splitlines()
    pins = [line for line in lines if line and not line.startswith("#")]
    assert len(pins) > 50 and all(re.fullmatch(r"[a-z0-9-]+==[0-9][0-9a-z.+]*", pin) for pin in pins)
    names = [pin.partition("==")[0] for pin in pins]
    assert names == sorted(names)
    assert "-c .ci/constraints.txt" in (ROOT / ".ci" / "setup").read_text()


@pytest.mark.parametrize("name", sorted(commands.commands))
def test_every_command_is_in_the_readme(name):
    """With a word on what it is for."""
    assert f"mudcap {name}" in README


def test_options_in_the_readme_exist():
    """Every --option beside a `mudcap` call is one of that command's."""
    for call in re.findall(r"mudcap ([a-z]+)([^`\n]*)", README):
        command = commands.commands.get(call[0])
        if command is None:
            continue
        known = {
            f for p in command.params if isinstance(p, click.Option) for f in (*p.opts, *p.secondary_opts)
        } | {"--help"}
        used = set(re.findall(r"(?<!\S)--[a-z-]+", call[1]))
        assert used <= known, f"mudcap {call[0]}: {sorted(used - known)}"


@pytest.mark.parametrize("name", sorted(commands.commands))
def test_every_option_is_in_the_readme_and_every_command_has_examples(name):
    """Each long option by its name; the examples of the help call the command and name options that exist."""
    command = commands.commands[name]
    options = [p for p in command.params if isinstance(p, click.Option)]
    long = {o for p in options for o in p.opts if o.startswith("--")}
    assert not [o for o in sorted(long) if not re.search(rf"(?<![\w-]){o}(?![\w-])", README)]
    assert f"mudcap {name} " in (command.epilog or "")
    assert set(re.findall(r"(?<!\S)--[a-z-]+", command.epilog or "")) <= long


def test_outputs_are_in_the_readme():
    """Each file that plan writes."""
    assert not [name for name in OUTPUTS if name not in README]


def test_the_report_schema_is_documented():
    """DEVELOPERS.md names the schema, and every key of it has its place in the schema file."""
    schema = json.loads((ROOT / "src/mudcap/files/report.schema.json").read_text())
    assert schema["title"] in (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    assert "report.schema.json" in (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def test_no_tracked_file_names_a_private_machine():
    """Neither its paths nor its tools."""
    found = []
    for path in tracked():
        try:
            text = path.read_text(encoding="utf-8")
        except UnicodeDecodeError:
            continue
        found += [f"{path.relative_to(ROOT)}: {word}" for word in UNWANTED if word in text]
    assert not found


def test_the_top_level_is_tidy():
    """README, DEVELOPERS, pyproject, src, tests, sample_blocks, maps and dotfiles only."""
    top = {path.relative_to(ROOT).parts[0] for path in tracked()}
    assert {t for t in top if not t.startswith(".")} <= {
        "README.md", "DEVELOPERS.md", "pyproject.toml", "src", "tests", "sample_blocks", "maps",
    }  # fmt: skip
