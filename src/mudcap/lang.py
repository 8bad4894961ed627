"""Texts for people, in the language they read: every one goes through `_` or a `translator`.

Write ``_("Block {block}: {count} sites.").format(block=name, count=n)``, never an f-string inside ``_``, so that the
catalogues under ``locale/`` can be gathered and checked by a test.
"""

from __future__ import annotations

import gettext
from collections.abc import Callable, Mapping
from contextvars import ContextVar
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

LANGUAGES: Final = ("en", "es")
"""Languages of texts; each but English has a catalogue under `locale/`."""
NAMES: Final = {"en": "English", "es": "Español"}
"""What each language calls itself."""
BOTH: Final = "both"
"""Crew files in every language; what is said meanwhile is said in English."""
CHOICES: Final = (*LANGUAGES, BOTH)
_chosen: ContextVar[str] = ContextVar("mudcap_language", default="en")


class Said(str):
    """An English text that knows itself in the other languages, as long as it is only formatted and passed on."""

    others: Mapping[str, str]

    def __new__(cls, text: str, others: Mapping[str, str]) -> Said:
        """`text` and what it is in `others`, by language."""
        made = super().__new__(cls, text)
        made.others = dict(others)
        return made

    def format(self, *values: Any, **fields: Any) -> Said:
        """As of `str`, in each language; fields that are such texts themselves come in that language."""
        return Said(
            super().format(*values, **fields),
            {
                language: text.format(
                    *(in_language(v, language) for v in values), **{k: in_language(v, language) for k, v in fields.items()}
                )
                for language, text in self.others.items()
            },
        )

    def __reduce__(self) -> tuple[type[Said], tuple[str, Mapping[str, str]]]:
        """So that it survives the way from one process to another."""
        return Said, (str(self), self.others)


def in_language(value: Any, language: str) -> Any:
    """A text in `language` if it knows itself in it; anything else as it is."""
    return value.others.get(language, str(value)) if isinstance(value, Said) else value


def languages(choice: str) -> tuple[str, ...]:
    """The languages that a choice stands for, the main one first."""
    if choice not in CHOICES:
        raise ValueError(f"language: {choice!r} is none of {', '.join(CHOICES)}.")
    return LANGUAGES if choice == BOTH else (choice,)


@lru_cache(maxsize=8)
def translator(language: str) -> Callable[[str], str]:
    """The function that turns an English text into `language`; English texts are their own keys."""
    if language not in LANGUAGES:
        raise ValueError(f"language: {language!r} is none of {', '.join(LANGUAGES)}.")
    where = Path(__file__).parent / "locale"
    return gettext.translation("mudcap", where, [language], fallback=language == "en").gettext


def _(text: str) -> str:
    """`text` in the language chosen for this run."""
    first, *others = languages(_chosen.get())
    said = translator(first)(text)
    return Said(said, {language: translator(language)(text) for language in others}) if others else said


def choose_language(choice: str) -> None:
    """Use a language, or ``both``, for messages from here on (this context only)."""
    languages(choice)
    _chosen.set(choice)
