"""The `mudcap` command: what it is called, what it promises at the end, and nothing of the trade.

Only click and light modules are imported here; each command imports its heavy parts when it runs.
"""

from __future__ import annotations

import atexit
import json
import os
import sys
from collections.abc import Sequence
from contextlib import suppress
from typing import NoReturn

import click

from mudcap import __version__
from mudcap.app.compare import compare
from mudcap.app.imports import one_thread, put_off_unused
from mudcap.app.labels import labels
from mudcap.app.look import look
from mudcap.app.picked import picked
from mudcap.app.plan import plan
from mudcap.app.round import round_
from mudcap.errors import MudcapError
from mudcap.lang import _

STOPPED = 130

EPILOG = """\b
Examples:
  mudcap look  sample_blocks            what is in the files, and what is wrong with them
  mudcap plan  sample_blocks -o maps    map, sheet, pick-list and waypoints
  mudcap round sample_blocks -o maps --task check --crew 2    who goes where, and when

\b
Exit codes:
  0 planned    1 failure    2 wrong usage    3 no usable input
  4 a limit could not be met (files written, marked)
  5 safety stop, fallback layout or a fault found by the check (files written, marked)
  130 stopped by hand (best plan so far kept)
"""


@click.group(
    epilog=EPILOG, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100}
)
@click.version_option(__version__, prog_name="mudcap")
def commands() -> None:
    """Where to hang mason-bee nest shelters in orchard blocks, how to stock them, and sheets to walk out with."""


commands.add_command(plan)
commands.add_command(look)
commands.add_command(compare)
commands.add_command(round_)
commands.add_command(labels)
commands.add_command(picked)


def main(arguments: Sequence[str] | None = None) -> NoReturn:
    """Run a command and end the process with its exit code; where `arguments` are given, by ``SystemExit``."""
    _keep_standard_streams_taken()
    one_thread()
    put_off_unused()
    code = run(list(sys.argv[1:] if arguments is None else arguments))
    # what is still unflushed may meet a pipe that nobody reads any more: that is no failure of ours
    for stream in (sys.stdout, sys.stderr):
        try:
            if stream is not None:
                stream.flush()
        except (OSError, ValueError):
            with suppress(OSError, ValueError):
                os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())
    if arguments is None:
        # to take down all that was loaded takes a fifth of a second, and nothing in it is waited for
        atexit._run_exitfuncs()
        os._exit(code)
    sys.exit(code)


def run(arguments: list[str]) -> int:
    """Run a command and return its exit code; every failure becomes one line on stderr."""
    is_debug = "--debug" in arguments
    try:
        result = commands.main(arguments, prog_name="mudcap", standalone_mode=False)
        return result if isinstance(result, int) else 0
    except click.UsageError as error:
        error.show()
        return _told(arguments, error.format_message(), error.exit_code)
    except click.exceptions.Exit as end:
        return end.exit_code
    except (click.Abort, KeyboardInterrupt):
        return _failed(arguments, _("stopped by hand; nothing was written."), STOPPED)
    except MudcapError as error:
        if is_debug:
            raise
        return _failed(arguments, str(error), error.exit_code)
    except BrokenPipeError:
        return 0
    except MemoryError:
        if is_debug:
            raise
        return _failed(arguments, _("out of memory. Plan fewer blocks at once."), 1)
    except Exception as error:
        if is_debug:
            raise
        what = f"{type(error).__name__}: {error}".splitlines()[0][:300]
        text = _("failed unexpectedly ({what}). Run again with --debug for the traceback, and report it.")
        return _failed(arguments, text.format(what=what), 1)


def _failed(arguments: list[str], text: str, code: int) -> int:
    with suppress(OSError):
        click.echo(f"mudcap: {text}", err=True)
    return _told(arguments, text, code)


def _told(arguments: list[str], text: str, code: int) -> int:
    """With --json the failure is told on stdout too, for programs."""
    if "--json" in arguments:
        with suppress(OSError):
            click.echo(
                json.dumps({"schema": "mudcap.run/1", "exit_code": code, "error": text}, ensure_ascii=False)
            )
    return code


def _keep_standard_streams_taken() -> None:
    """Where stdin, stdout or stderr is closed, the next file opened would get its number and what is printed into it."""
    with suppress(OSError):
        while os.open(os.devnull, os.O_RDWR) <= 2:
            pass
