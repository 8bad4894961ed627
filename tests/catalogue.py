"""The texts for people in the source, and the catalogue of their translations; `python tests/catalogue.py` renews both files.

Texts are gathered by syntax tree: every string given to `_`, `word` or another name that `FUNCTIONS` and `PLURALS` list. The `.po` file
holds no dates and no line numbers, so it changes only where a text does, and the `.mo` file is the same bytes for the same
`.po` on any machine. What is not translated yet is listed by the command and refused by ``tests/test_languages.py``.
"""

from __future__ import annotations

import ast
import re
import struct
import sys
from collections.abc import Iterator, Mapping
from pathlib import Path
from string import Formatter
from typing import Final

ROOT: Final = Path(__file__).parents[1]
SOURCE: Final = ROOT / "src" / "mudcap"
LOCALE: Final = SOURCE / "locale"
FUNCTIONS: Final = frozenset({"_", "word", "say", "marked"})
"""Names under which modules call the translator: `_ = translator(lang)`, `word = translator(lang)`, `self._`."""
PLURALS: Final = {"_n": (0, 1), "counted": (1, 2)}
"""Which arguments of these are texts: the one for 1, the one for all other numbers."""
HEADER: Final = "Project-Id-Version: mudcap\nLanguage: {language}\nMIME-Version: 1.0\nContent-Type: text/plain; charset=UTF-8\nContent-Transfer-Encoding: 8bit\n"


def texts() -> dict[str, list[str]]:
    """Every text for people, in the order of the source, and the modules that say it."""
    found: dict[str, list[str]] = {}
    for path in sorted(SOURCE.rglob("*.py")):
        module = path.relative_to(SOURCE).as_posix()
        for call, text in calls(path.read_text(encoding="utf-8")):
            if text is not None and (call in FUNCTIONS or call in PLURALS) and module not in found.setdefault(text, []):
                found[text].append(module)
    return found


def unreadable() -> list[str]:
    """Calls of `_` whose text is no plain string, so that no catalogue can hold it."""
    return [
        f"{path.relative_to(SOURCE)}: {call}"
        for path in sorted(SOURCE.rglob("*.py"))
        for call, text in calls(path.read_text(encoding="utf-8"))
        if text is None and call in ("_", "word", *PLURALS)
    ]


def calls(source: str) -> Iterator[tuple[str, str | None]]:
    """(name of the function, its text if that is a plain string) of each call, in the order of the source; two texts of `PLURALS`."""
    for node in ast.walk(ast.parse(source)):
        if not isinstance(node, ast.Call) or not node.args:
            continue
        function = node.func
        name = function.id if isinstance(function, ast.Name) else function.attr if isinstance(function, ast.Attribute) else "_" if _is_translator(function) else ""
        for place in PLURALS.get(name, (0,)):
            given = node.args[place] if place < len(node.args) else None
            yield name, given.value if isinstance(given, ast.Constant) and isinstance(given.value, str) else None


def _is_translator(function: ast.expr) -> bool:
    return isinstance(function, ast.Call) and isinstance(function.func, ast.Name) and function.func.id == "translator"


def fields(text: str) -> list[str]:
    """The named fields of a text with their formats, sorted; a text that is no format has none."""
    try:
        return sorted(f"{name}:{form}!{turn}" for _, name, form, turn in Formatter().parse(text) if name is not None)
    except ValueError:
        return []


def read_po(path: Path) -> dict[str, str]:
    """Translations by text; fuzzy entries raise ``ValueError``."""
    out: dict[str, str] = {}
    key, parts = "", {"msgid": "", "msgstr": ""}
    for line in [*path.read_text(encoding="utf-8").splitlines(), ""]:
        if line.startswith("#,") and "fuzzy" in line:
            raise ValueError(f"{path.name}: a fuzzy entry.")
        if hit := re.fullmatch(r'(?:(msgid|msgstr) )?("(?:[^"\\]|\\.)*")', line):
            key = hit[1] or key
            parts[key] += ast.literal_eval(hit[2])
        elif not line and parts["msgid"] + parts["msgstr"]:
            if parts["msgid"]:
                if parts["msgid"] in out:
                    raise ValueError(f"{path.name}: {parts['msgid']!r} twice.")
                out[parts["msgid"]] = parts["msgstr"]
            parts = {"msgid": "", "msgstr": ""}
        elif line and not line.startswith("#"):
            raise ValueError(f"{path.name}: {line}")
    return out


def write_po(language: str, known: Mapping[str, str]) -> str:
    """The `.po` of every text of the source, in the order of the source."""
    entries = [_entry("", HEADER.format(language=language), [], "")]
    for text, modules in texts().items():
        entries.append(_entry(text, known.get(text, ""), modules, "python-brace-format" if fields(text) else ""))
    return "\n".join(entries)


def _entry(text: str, said: str, modules: list[str], flag: str) -> str:
    lines = [f"#: {' '.join(modules)}"] if modules else []
    lines += [f"#, {flag}"] if flag else []
    return "\n".join([*lines, f"msgid {_quoted(text)}", f"msgstr {_quoted(said)}", ""])


def _quoted(text: str) -> str:
    safe = text.replace("\\", "\\\\").replace('"', '\\"').replace("\t", "\\t")
    pieces = safe.split("\n")
    if len(pieces) == 1:
        return f'"{safe}"'
    lines = [f'"{piece}\\n"' for piece in pieces[:-1]] + ([f'"{pieces[-1]}"'] if pieces[-1] else [])
    return "\n".join(['""', *lines])


def compiled(language: str, known: Mapping[str, str]) -> bytes:
    """The `.mo` of translations: GNU gettext's little-endian form without a hash table, texts sorted by their bytes."""
    pairs = sorted((k.encode(), v.encode()) for k, v in {**known, "": HEADER.format(language=language)}.items() if v)
    count, tables = len(pairs), 28
    place = tables + 16 * count
    keys, values, body = b"", b"", b""
    for table in (0, 1):
        for pair in pairs:
            entry = struct.pack("<II", len(pair[table]), place + len(body))
            keys, values = (keys + entry, values) if table == 0 else (keys, values + entry)
            body += pair[table] + b"\0"
    return struct.pack("<7I", 0x950412DE, 0, count, tables, tables + 8 * count, 0, place) + keys + values + body


def files(language: str) -> tuple[Path, Path]:
    """The `.po` and `.mo` of a language."""
    folder = LOCALE / language / "LC_MESSAGES"
    return folder / "mudcap.po", folder / "mudcap.mo"


def main() -> int:
    """Renew both files of each language; 1 where texts wait for a translation."""
    waiting = 0
    for folder in sorted(p for p in LOCALE.iterdir() if p.is_dir()):
        po, mo = files(folder.name)
        known = read_po(po) if po.is_file() else {}
        po.write_text(write_po(folder.name, known), encoding="utf-8")
        fresh = read_po(po)
        mo.write_bytes(compiled(folder.name, fresh))
        empty = [text for text, said in fresh.items() if not said]
        waiting += len(empty)
        for text in empty:
            print(f"{folder.name}: {text}")
    return 1 if waiting else 0


if __name__ == "__main__":
    sys.exit(main())
