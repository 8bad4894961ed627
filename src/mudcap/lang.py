"""Texts for people, in the language they read: every one goes through `_` or a `translator`.

Write ``_("Block {block}: {count} sites.").format(block=name, count=n)``, never an f-string inside ``_``, so that the
catalogues under ``locale/`` can be gathered and checked by a test. Where a number can be 1, ``_n("… {count} tree …",
"… {count} trees …", count)`` takes the text that fits, and `counted` does so with a translator.
"""

from __future__ import annotations

import gettext
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
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
    """An English text that knows itself in the other languages, as long as it is only formatted, added to, `joined` and passed on."""

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

    def __add__(self, other: str) -> Said:
        return Said(str(self) + str(other), {k: text + str(in_language(other, k)) for k, text in self.others.items()})

    def __radd__(self, other: str) -> Said:
        return Said(str(other) + str(self), {k: str(in_language(other, k)) + text for k, text in self.others.items()})

    def __reduce__(self) -> tuple[type[Said], tuple[str, Mapping[str, str]]]:
        """So that it survives the way from one process to another."""
        return Said, (str(self), self.others)


def in_language(value: Any, language: str) -> Any:
    """A text in `language` if it knows itself in it; anything else as it is."""
    return value.others.get(language, str(value)) if isinstance(value, Said) else value


def joined(separator: str, parts: Sequence[str]) -> str:
    """The parts with `separator` between, in every language that one of them knows itself in."""
    text = separator.join(parts)
    known = {language for part in parts if isinstance(part, Said) for language in part.others}
    if not known:
        return text
    return Said(text, {language: separator.join(in_language(p, language) for p in parts) for language in sorted(known)})


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


def _n(one: str, many: str, count: float) -> str:
    """`one` where `count` is 1, else `many`, in the language chosen for this run.

    Each is a text of its own in the catalogues: English and Spanish alike have one form for 1 and one for all else.
    """
    return counted(_, one, many, count)


def counted(word: Callable[[str], str], one: str, many: str, count: float) -> str:
    """The same by a translator at hand.

    >>> counted(translator("en"), "{count} tree", "{count} trees", 1).format(count=1)
    '1 tree'
    """
    return word(one if count == 1 else many)


def marked(text: str) -> str:
    """`text` as it is: the catalogues gather it here, where no language is chosen yet, and a translator turns it later."""
    return text


def choose_language(choice: str) -> None:
    """Use a language, or ``both``, for messages from here on (this context only)."""
    languages(choice)
    _chosen.set(choice)


@contextmanager
def speaking(choice: str) -> Iterator[None]:
    """Within it messages are in this language; before and after as chosen."""
    languages(choice)
    before = _chosen.set(choice)
    try:
        yield
    finally:
        _chosen.reset(before)
