"""A plan or round in one language, where it was made to be told in several."""

from __future__ import annotations

import dataclasses
from typing import Any

from mudcap.lang import Said, in_language
from mudcap.plan.model import Plan
from mudcap.plan.round_model import Round


def plan_in(plan: Plan, language: str) -> Plan:
    """The plan with its sentences and addresses in `language`, as far as they know themselves in it; all else as it is."""
    return dataclasses.replace(
        plan,
        findings=tuple(dataclasses.replace(f, text=in_language(f.text, language)) for f in plan.findings),
        blocks=tuple(dataclasses.replace(b, reason=in_language(b.reason, language)) for b in plan.blocks),
        puddles=_within(plan.puddles, language),
        release=tuple(_within(point, language) for point in plan.release),
        supply_plan=_within(plan.supply_plan, language),
    )


def round_in(made: Round, language: str) -> Round:
    """The round with its notes and addresses in `language`, as far as they know themselves in it."""
    changed: Round = _within(made, language)
    return changed


def _within(value: Any, language: str) -> Any:
    """`value` with the texts in it, however deep, in `language`; the same object where there are none."""
    if isinstance(value, Said):
        return in_language(value, language)
    if isinstance(value, tuple) and type(value) is tuple:
        changed = tuple(_within(v, language) for v in value)
        return changed if any(a is not b for a, b in zip(changed, value, strict=True)) else value
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        own = {f.name: getattr(value, f.name) for f in dataclasses.fields(value) if f.init}
        fresh = {name: _within(v, language) for name, v in own.items()}
        changes = {name: v for name, v in fresh.items() if v is not own[name]}
        return dataclasses.replace(value, **changes) if changes else value
    return value
