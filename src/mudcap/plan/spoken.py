"""A plan in one language, where it was made to be told in several."""

from __future__ import annotations

import dataclasses

from mudcap.lang import in_language
from mudcap.plan.model import Plan
from mudcap.plan.round_model import Round


def plan_in(plan: Plan, language: str) -> Plan:
    """The plan with its sentences in `language`, as far as they know themselves in it; all else as it is."""
    return dataclasses.replace(
        plan,
        findings=tuple(dataclasses.replace(f, text=in_language(f.text, language)) for f in plan.findings),
        blocks=tuple(dataclasses.replace(b, reason=in_language(b.reason, language)) for b in plan.blocks),
    )


def round_in(made: Round, language: str) -> Round:
    """The round with its notes in `language`, as far as they know themselves in it."""
    return dataclasses.replace(made, notes=tuple(in_language(text, language) for text in made.notes))
