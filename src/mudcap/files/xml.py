"""XML of strangers: no document types, no entities, no depth without end."""

from __future__ import annotations

import io
import re
from xml.etree.ElementTree import Element, ParseError

from defusedxml import DefusedXmlException
from defusedxml.ElementTree import iterparse

from mudcap.errors import InputError
from mudcap.files.names import clean_text
from mudcap.files.source import kind_in_words, looks_like
from mudcap.lang import _

MAX_XML_DEPTH = 100
_NUMBER = re.compile(r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d{1,3})?", re.ASCII)


def parse_xml(data: bytes, file: str, root_name: str) -> Element:
    """Root element of an XML document whose root is `root_name`.

    Raises ``InputError`` for a document type (entity bombs, reading of other files), nesting deeper than
    `MAX_XML_DEPTH`, another kind of document, or damage.
    """
    kind = looks_like(data)
    if kind not in {"xml", "gpx", "kml", ""} or (kind in {"gpx", "kml"} and kind != root_name):
        raise InputError(
            _("{file}: not {wanted} but {kind}.").format(file=file, wanted=root_name.upper(), kind=kind_in_words(kind))
        )
    try:
        root = _parse(data, file)
    except DefusedXmlException:
        raise InputError(
            _("{file}: holds a document type or entities, which map data never need; not read.").format(file=file)
        ) from None
    except (ParseError, ValueError, LookupError, UnicodeError) as error:
        raise InputError(
            _("{file}: the XML is damaged or cut off ({why}). Export it again.").format(
                file=file, why=clean_text(error, 80)
            )
        ) from None
    if root is None or local(root) != root_name:
        raise InputError(
            _("{file}: not {wanted} but {kind}.").format(
                file=file, wanted=root_name.upper(), kind=kind_in_words("xml" if kind == root_name else kind)
            )
        )
    return root


def _parse(data: bytes, file: str) -> Element | None:
    depth, root = 0, None
    for event, element in iterparse(io.BytesIO(data), events=("start", "end"), forbid_dtd=True):
        if event == "start":
            root = element if root is None else root
            depth += 1
            if depth > MAX_XML_DEPTH:
                raise InputError(_("{file}: elements nested too deep; this is no map data.").format(file=file))
        else:
            depth -= 1
    return root


def local(element: Element) -> str:
    """Name of an element without its namespace; '' for comments."""
    return element.tag.rpartition("}")[2] if isinstance(element.tag, str) else ""


def children(element: Element, name: str) -> list[Element]:
    """Direct children of a local name."""
    return [c for c in element if local(c) == name]


def child_text(element: Element, name: str) -> str:
    """Text of the first child of a local name, '' where there is none."""
    for child in element:
        if local(child) == name:
            return "".join(child.itertext()).strip()
    return ""


def number(text: str | None) -> float:
    """A plain decimal number; ``ValueError`` for all else (nan, inf, decimal commas, words)."""
    word = (text or "").strip()
    if not _NUMBER.fullmatch(word):
        raise ValueError(f"'{clean_text(word, 20)}' is no number")
    return float(word)
