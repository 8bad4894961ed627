"""Texts for people, in the language they read: every one goes through `_` or a `translator`.

Write ``_("Block {block}: {count} sites.").format(block=name, count=n)``, never an f-string inside ``_``, so that the
catalogues under ``locale/`` can be gathered and checked by a test.
"""

from __future__ import annotations

import gettext
from collections.abc import Callable
from contextvars import ContextVar
from functools import lru_cache
from pathlib import Path
from typing import Final

LANGUAGES: Final = ("en",)
"""Languages with a catalogue under `locale/` (English needs none)."""
_chosen: ContextVar[str] = ContextVar("mudcap_language", default="en")


@lru_cache(maxsize=8)
def translator(language: str) -> Callable[[str], str]:
    """The function that turns an English text into `language`; English texts are their own keys."""
    if language not in LANGUAGES:
        raise ValueError(f"language: {language!r} is none of {', '.join(LANGUAGES)}.")
    where = Path(__file__).parent / "locale"
    return gettext.translation("mudcap", where, [language], fallback=language == "en").gettext


def _(text: str) -> str:
    """`text` in the language chosen for this run."""
    return translator(_chosen.get())(text)


def choose_language(language: str) -> None:
    """Use `language` for messages from here on (this context only)."""
    translator(language)
    _chosen.set(language)
