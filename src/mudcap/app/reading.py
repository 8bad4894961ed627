"""From the command line to an orchard: what is to be read, and with which options."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import click

from mudcap.errors import InputError
from mudcap.lang import _, choose_language

if TYPE_CHECKING:
    from mudcap.app.console import Console
    from mudcap.files.ranch import RanchSpec
    from mudcap.orchard.model import Finding, Orchard


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingChoices:
    """What the command line says about reading."""

    ranch: Path
    crs: str | None = None
    layer: str | None = None
    encoding: str | None = None
    roles: Sequence[tuple[str, str]] = ()
    accept_repairs: bool = False
    max_acres: float | None = None
    units: Literal["us", "metric"] | None = None
    lang: str = "en"


def open_spec(choices: ReadingChoices) -> RanchSpec:
    """The ranch as named, with what the command line says put over mudcap.toml."""
    from mudcap.files.ranch import open_ranch
    from mudcap.orchard.model import Role

    choose_language(choices.lang)
    spec = open_ranch(choices.ranch)
    layers = list(spec.layers)
    for file, role in choices.roles:
        hits = [i for i, layer in enumerate(layers) if file in (layer.file, layer.path.name, str(layer.path))]
        if not hits:
            known = ", ".join(layer.file for layer in layers)
            raise click.UsageError(
                _("--role {file}={role}: no such file is read; there are {known}.").format(
                    file=file, role=role, known=known
                )
            )
        for i in hits:
            layers[i] = dataclasses.replace(layers[i], role=Role(role))
    params = with_values(spec.params, {"units": choices.units, "place.max_acres": choices.max_acres})
    return dataclasses.replace(spec, layers=tuple(layers), params=params)


def read(
    spec: RanchSpec, choices: ReadingChoices, console: Console, codes: Mapping[str, str] | None = None
) -> tuple[Orchard, tuple[Finding, ...]]:
    """The orchard and what was seen while reading it; `codes` are the block codes of an earlier plan."""
    from mudcap.files.layers import read_orchard
    from mudcap.files.lonlat import ReadOptions

    options = ReadOptions(
        crs=choices.crs or "", layer=choices.layer or "", encoding=choices.encoding or "",
        accept_repairs=choices.accept_repairs, codes=dict(codes or {}),
    )  # fmt: skip
    with console.timed("read"):
        return read_orchard(spec, options=options, progress=console.step)


def with_values(params: Any, values: Mapping[str, Any]) -> Any:
    """`params` with the values that are given (not None), by dotted name; each checked as mudcap.toml's are."""
    from mudcap.files.options import check_range

    problems: list[str] = []
    for name, value in values.items():
        if value is None:
            continue
        check_range(name, value, problems, [])
        section, dot, field = name.partition(".")
        if dot:
            params = dataclasses.replace(
                params, **{section: dataclasses.replace(getattr(params, section), **{field: value})}
            )
        else:
            params = dataclasses.replace(params, **{name: value})
    if problems:
        raise click.UsageError("\n".join(problems))
    return params


def refuse_strictly(findings: Sequence[Finding], blocks: Sequence[tuple[str, str]]) -> None:
    """With --strict nothing may be left out: raise ``InputError`` naming what was."""
    lines = [f.text for f in findings if f.level == "error"]
    lines += [f"{block}: {reason}" for block, reason in blocks]
    if lines:
        raise InputError(
            "\n".join([_("--strict: not everything could be planned; nothing was written."), *lines])
        )
