"""What the offline map says in each of its languages, for the button that goes from one to the other."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from mudcap.draw.scene import Layer, Scene
from mudcap.draw.webmap_payload import flag_words, page_words
from mudcap.draw.webmap_words import check_choices
from mudcap.draw.words import status_words
from mudcap.lang import NAMES, translator
from mudcap.plan.model import Plan


def tongues(plan: Plan, scenes: Mapping[str, Scene]) -> list[dict[str, Any]]:
    """For each language all words of the page, and titles and notes of the layers: of marks only those that differ.

    The scenes are of one plan, so layers and marks are the same in each but for their words.
    """
    changing = [_changing(layers) for layers in zip(*(s.layers for s in scenes.values()), strict=True)]
    return [
        {
            "key": language,
            "name": NAMES[language],
            "words": page_words(language),
            "choices": check_choices(language),
            "warning": status_words(plan, translator(language)),
            "flag_words": flag_words(plan, language),
            "layers": [
                [layer.title, [[i, layer.marks[i].label, layer.marks[i].note] for i in marks]]
                for layer, marks in zip(scene.layers, changing, strict=True)
            ],
        }
        for language, scene in scenes.items()
    ]


def _changing(layers: tuple[Layer, ...]) -> list[int]:
    """Places of the marks whose words are not the same in all languages."""
    marks = zip(*(layer.marks for layer in layers), strict=True)
    return [i for i, same in enumerate(marks) if len({(mark.label, mark.note) for mark in same}) > 1]
