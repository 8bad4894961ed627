"""Text from files made fit to be shown: no control characters, no tricks with direction, no endless lengths."""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Sequence
from datetime import date, datetime
from typing import Any, Final

from mudcap.lang import _

NAME_LENGTH: Final = 60
TEXT_LENGTH: Final = 500
NAMED: Final = 5
"""So many names stand in one message."""
_ANSI = re.compile(r"\x1b(?:\[[0-?]*[ -/]*[@-~]|\][^\x07\x1b]*(?:\x07|\x1b\\)?|[@-Z\\-_])|\x9b[0-?]*[ -/]*[@-~]")


def clean_text(value: Any, length: int = TEXT_LENGTH) -> str:
    """One line of visible text of any value, cut at `length` characters.

    Control characters and terminal sequences, bidirectional overrides, zero-width characters, private-use and
    unassigned code points go; runs of white space become one blank. Numbers lose a trailing '.0'; None and NaN are ''.

    >>> clean_text("North\\n\\x1b[31m40\\u202e"), clean_text(14.0), clean_text(None)
    ('North 40', '14', '')
    """
    text = _as_text(value)
    if len(text) > 20 * length:
        text = text[: 20 * length]
    text = _ANSI.sub("", unicodedata.normalize("NFC", text))
    kept = "".join(" " if c.isspace() else c for c in text if c.isspace() or unicodedata.category(c)[0] != "C")
    kept = " ".join(kept.split())
    return kept if len(kept) <= length else kept[: length - 1].rstrip() + "…"


def clean_name(value: Any) -> str:
    """`clean_text` at the length of a name."""
    return clean_text(value, NAME_LENGTH)


def clean_key(value: Any) -> str:
    """A column name, cleaned."""
    return clean_text(value, NAME_LENGTH)


def plain_letters(text: str) -> str:
    """Lower-case ASCII letters and digits of `text`, accents stripped, all else as blanks: for comparing words.

    >>> plain_letters("Callejón_Norte-2")
    'callejon norte 2'
    """
    ascii_only = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode()
    return " ".join(re.sub(r"[^0-9A-Za-z]+", " ", ascii_only).lower().split())


def named(names: Sequence[str]) -> str:
    """The first few names, and how many more there are.

    >>> named(["A", "B"]), named(list("ABCDEFG"))
    ('A, B', 'A, B, C, D, E and 2 more')
    """
    more = len(names) - NAMED
    first = ", ".join(names[:NAMED])
    return first + " " + _("and {n} more").format(n=more) if more > 0 else first


def _as_text(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        if math.isnan(value):
            return ""
        return f"{value:.15g}"
    if isinstance(value, int):
        return str(value) if abs(value) < 10**18 else f"{value % 10**18:.0f}…"
    if isinstance(value, (datetime, date)):
        return value.isoformat()
    if isinstance(value, str):
        return value
    if isinstance(value, bytes):
        return value.decode("utf-8", "replace")
    if isinstance(value, (list, tuple)):
        return ", ".join(_as_text(v) for v in value[:20] if not isinstance(v, (list, dict, tuple)))
    return str(value)[:TEXT_LENGTH] if not isinstance(value, dict) else ", ".join(str(k) for k in list(value)[:20])
