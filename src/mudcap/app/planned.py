"""Where a plan that was written lies, for the commands that start from it; and the options they share."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

from mudcap.app.options import TELLING, Folder
from mudcap.errors import InputError
from mudcap.lang import _

F = TypeVar("F", bound=Callable[..., Any])


def plan_folder(ranch: Path | None, out: Path | None, beside: Path | None = None) -> Path:
    """Folder of the plan: as given by -o, else RANCH/out (or RANCH itself, where the plan lies in it), else NAME-out beside
    a file; without RANCH the folder of the file `beside`.

    Raises ``InputError`` where there is no plan.
    """
    from mudcap.files.outputs import PLAN_FILE

    if out is not None:
        places = [out]
    elif ranch is None:
        places = [(beside or Path()).absolute().parent]
    elif ranch.is_dir():
        places = [ranch / "out", ranch]
    else:
        places = [ranch.with_name(f"{ranch.stem}-out")]
    for place in places:
        if (place / PLAN_FILE).is_file():
            return place
    raise InputError(
        _("{folder}: there is no plan here ({file} is missing). Run mudcap plan first, or say where it is with -o.").format(
            folder=places[0], file=PLAN_FILE
        )
    )


def telling_options(command: F) -> F:
    """Options about where the plan is and how it is told."""
    for option in reversed((
        click.option("-o", "--out", type=Folder(), metavar="DIR",
                     help="Folder where the plan is [RANCH/out; for a file NAME-out beside it]."),
        *TELLING,
    )):  # fmt: skip
        command = option(command)
    return command
