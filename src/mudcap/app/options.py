"""Values on the command line: kinds of values, and the options that several commands share."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final, TypeVar

import click

from mudcap.geo.units import parse_length
from mudcap.lang import CHOICES

F = TypeVar("F", bound=Callable[..., Any])
ROLES = (
    "blocks", "roads", "alleys", "gates", "yard", "spray_lanes", "mud_sources", "water_points", "ditches", "keep_outs", "soil", "trees",
    "rows", "forage", "hives", "hazards", "chemical_store", "closures",
)  # fmt: skip
"""Values of `mudcap.orchard.model.Role`, written out so that --help need not import it (a test holds them equal)."""


class Folder(click.Path):
    """A folder's name; an empty one, as of a variable that is not set, is none."""

    def __init__(self) -> None:
        super().__init__(path_type=Path)

    def convert(self, value: Any, param: click.Parameter | None, context: click.Context | None) -> Any:
        """The path; the ranch's usual folder where nothing is said, never this one by mistake."""
        if value == "":
            self.fail("is empty. Name a folder, or leave the option out.", param, context)
        return super().convert(value, param, context)


class Within(click.FloatRange):
    """A finite number within a range."""

    def convert(self, value: Any, param: click.Parameter | None, context: click.Context | None) -> float:
        """The number; 'nan' and 'inf' are none."""
        number = float(super().convert(value, param, context))
        if not math.isfinite(number):
            self.fail(f"'{value}' is no number to plan with.", param, context)
        return number


class PerAcre(click.ParamType):  # type: ignore[type-arg]  # generic only in newer click
    """Sites an acre: one number, or a range."""

    name = "per_acre"

    def convert(
        self, value: Any, param: click.Parameter | None, context: click.Context | None
    ) -> tuple[float, float | None]:
        """(least, most or None) of '9' or '8-10'."""
        match = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*(?:[-–]\s*(\d+(?:\.\d+)?))?\s*", str(value))
        if not match:
            self.fail(
                f"'{value}' is no number of sites an acre; write 9, or a range such as 8-10.", param, context
            )
        least, most = float(match[1]), float(match[2]) if match[2] else None
        if most is not None and most < least:
            self.fail(f"'{value}': a range runs from the smaller to the larger number.", param, context)
        return least, most


class Length(click.ParamType):  # type: ignore[type-arg]  # generic only in newer click
    """A length with its unit."""

    name = "length"

    def convert(self, value: Any, param: click.Parameter | None, context: click.Context | None) -> float:
        """Metres of '45ft' or '13.7m'."""
        try:
            return parse_length(str(value))
        except ValueError as error:
            self.fail(str(error), param, context)


class FileRole(click.ParamType):  # type: ignore[type-arg]  # generic only in newer click
    """Which role a file (or a layer of it) has."""

    name = "file=role"

    def convert(
        self, value: Any, param: click.Parameter | None, context: click.Context | None
    ) -> tuple[str, str]:
        """(file, role) of 'FILE=ROLE'."""
        file, equals, role = str(value).rpartition("=")
        if not equals or not file:
            self.fail(f"'{value}': write FILE=ROLE, such as lanes.shp=spray_lanes.", param, context)
        if role not in ROLES:
            self.fail(f"'{role}' is no role; there are {', '.join(ROLES)}.", param, context)
        return file, role


class Scheduler(click.ParamType):  # type: ignore[type-arg]  # generic only in newer click
    """The address of a Dask scheduler."""

    name = "scheduler"

    def convert(self, value: Any, param: click.Parameter | None, context: click.Context | None) -> str:
        """'tcp://host:port' of the same, or of 'host:port'."""
        match = re.fullmatch(
            r"(?:(tcp|tls|ws|wss)://)?(\[[0-9a-fA-F:.]+\]|[\w.-]+):(\d{1,5})", str(value).strip()
        )
        if not match or not 0 < int(match[3]) < 65536:
            self.fail(f"'{value}' is no scheduler; write tcp://HOST:PORT.", param, context)
        return f"{match[1] or 'tcp'}://{match[2]}:{match[3]}"


cluster_option = click.option(
    "--cluster", type=Scheduler(), metavar="tcp://HOST:PORT",
    help="Solve blocks on the workers of this Dask scheduler [on this machine].",
)  # fmt: skip
"""Option of the commands that solve; its value goes to `mudcap.app.cluster.runner_for`."""


TELLING: Final = (
    click.option("--lang", type=click.Choice(CHOICES), default="en", show_default=True,
                 help="Language of all texts; both: crew files in each, messages in English."),
    click.option("--json", "as_json", is_flag=True, help="Print JSON alone on stdout."),
    click.option("-q", "--quiet", is_flag=True, help="Say nothing but failures."),
    click.option("--debug", is_flag=True, help="Show a traceback where something fails."),
)  # fmt: skip
"""Options about how things are told; every command has them."""


def reading_options(command: F) -> F:
    """Options about how input is read."""
    for option in reversed((
        click.argument("ranch", type=click.Path(path_type=Path)),
        click.option("--crs", metavar="EPSG:CODE", help="Coordinate system of files that name none, such as EPSG:2227."),
        click.option("--role", "roles", type=FileRole(), metavar="FILE=ROLE", multiple=True,
                     help="What a file holds, where neither mudcap.toml nor its name says it. Repeat as needed."),
        click.option("--layer", metavar="NAME", help="Layer to read, where RANCH is one file with several."),
        click.option("--encoding", metavar="NAME", help="Encoding of texts in files that do not say, such as cp1252."),
        click.option("--accept-repairs", is_flag=True, help="Accept repairs that change a block by more than 1 % of its acres."),
        click.option("--max-acres", type=Within(min=0, min_open=True), metavar="ACRES",
                     help="Refuse more acres than this [20,000]."),
        click.option("--units", type=click.Choice(["us", "metric"]), help="Feet or metres on paper [us]. Area stays in acres."),
        *TELLING,
    )):  # fmt: skip
        command = option(command)
    return command
