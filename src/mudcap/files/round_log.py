"""What a crew has done so far: a CSV with a line a site, or the file that the map's check mode hands over."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Final

from mudcap.errors import InputError
from mudcap.files.names import clean_text, plain_letters
from mudcap.files.source import decode, read_bytes, shown
from mudcap.files.tables import read_rows
from mudcap.geo.units import clock_s
from mudcap.lang import _
from mudcap.plan.round_model import Entry

NAMES: Final = {"site id", "site", "site name", "id", "name", "puddle", "sitio"}
_STATES: Final = {"state", "status", "what", "kind", "event", "estado"}
_TICKS: Final = {
    "done": "", "hecho": "", "hung": "hung", "colgado": "hung", "stocked": "stocked", "released": "released",
    "checked": "checked", "revisado": "checked", "wetted": "wetted", "mojado": "wetted", "fetched": "fetched",
    "recogido": "fetched", "stored": "stored", "guardado": "stored",
}  # fmt: skip
"""Columns of ticks, and the state that a tick stands for."""
_TIMES: Final = {"time", "when", "at", "hour", "done at", "checked at", "hora"}
_DAYS: Final = {"date", "fecha"}
_CREWS: Final = {"crew", "by", "who", "cuadrilla"}
_NOTES: Final = {"note", "notes", "remark", "nota"}
WORDS: Final = {
    "": "", "done": "", "si": "", "yes": "", "x": "", "1": "", "true": "",
    "planned": "planned", "hung": "hung", "hang": "hung", "stocked": "stocked", "released": "released",
    "release": "released", "checked": "checked", "check": "checked", "wetted": "wetted", "wet": "wetted",
    "fetched": "fetched", "fetch": "fetched", "stored": "stored", "opened": "opened", "flagged": "flagged",
    "flag": "flagged", "problem": "flagged", "damaged": "flagged", "missing": "flagged", "fallen": "flagged",
    "colgado": "hung", "revisado": "checked", "mojado": "wetted", "recogido": "fetched", "guardado": "stored",
    "danado": "flagged", "falta": "flagged", "caido": "flagged",
}  # fmt: skip
"""Words for each state, English and Spanish; without one the round's own work was done."""
CHECKS_SCHEMA: Final = "mudcap.checks/1"
_CHECK_STATES: Final = {
    "hung": "hung", "checked": "checked", "fetched": "fetched", "not_found": "checked", "not_reached": "planned",
}  # fmt: skip
_NOT_YET: Final = {"no", "0", "false"}
_TIME: Final = re.compile(
    r"(?:(?P<year>\d{4})-(?P<month>\d{2})-(?P<day>\d{2}))?[T ]*"
    r"(?:(?P<hour>\d{1,2}):(?P<minute>\d{2})(?::\d{2}(?:\.\d+)?)?\s*(?P<half>[ap]\.?\s?m\.?)?)?(?P<zone>Z|[+-]\d{2}:?\d{2})?\Z",
    re.IGNORECASE,
)
_CREW: Final = re.compile(r"(?:crew|cuadrilla)\s+(?=\w\Z)", re.IGNORECASE)
"""What stands before a crew's letter where it is written out, as on the sheets."""
_UTC: Final = {"Z", "+00:00", "+0000", "-00:00", "-0000"}


def read_log(path: Path | str) -> tuple[Entry, ...]:
    """The entries of a log in file order: columns site_id, and where there are any state, time (ISO 8601, or hh:mm), date, crew, note.

    Times are of whatever clock the crew has; those in UTC (`Z`) are marked as such.

    A `.json` file is one of checks (`mudcap.checks/1`): a shelter that was not reached is not done, one that was not found or
    has damage or guests is flagged besides. A column `done` of yes and no, or no column of states at all, says that the round's own
    work was done, one called hung, checked, wetted … that this was; an empty cell says that it was not. Raises ``InputError``, a line
    for each row that cannot be read.
    """
    path = Path(path)
    name = shown(path)
    if path.suffix.lower() == ".json":
        return _checks(read_bytes(path), name)
    text, _encoding = decode(read_bytes(path), name, None)
    if "\x00" in text:
        raise InputError(_("{file}: holds zero bytes; no text table. Export it again as CSV.").format(file=name))
    rows = read_rows(text, name)
    head = [plain_letters(c) for c in rows[0][1]]
    columns = [next((i for i, h in enumerate(head) if h in wanted), -1) for wanted in (NAMES, _STATES, _TIMES, _NOTES, _CREWS, _DAYS)]
    tick = ""
    if columns[1] < 0 and any(h in _TICKS for h in head):
        columns[1] = next(i for i, h in enumerate(head) if h in _TICKS)
        tick = _TICKS[head[columns[1]]]
    if columns[0] < 0:
        raise InputError(_("{file}: no column of sites. Name it site_id.").format(file=name))
    problems: list[str] = []
    entries = []
    for line, row in rows[1:]:
        cells = [clean_text(row[c]).strip() if 0 <= c < len(row) else "" for c in columns]
        if columns[1] >= 0 and not cells[1]:  # nothing noted: not done
            continue
        where = f"{name}, {_('line {number}').format(number=line)}"
        entry = _entry(cells, tick, where, problems)
        if entry is not None:
            entries.append(replace(entry, source=f"{where}, {clean_text(rows[0][1][columns[0]], 40)}"))
    if problems:
        raise InputError("\n".join(problems))
    return tuple(entries)


def _checks(data: bytes, file: str) -> tuple[Entry, ...]:
    """The checks of a file that the map's check mode wrote."""
    try:
        facts = json.loads(data)
    except (ValueError, RecursionError):
        facts = None
    if not isinstance(facts, dict) or facts.get("schema") != CHECKS_SCHEMA or not isinstance(facts.get("checks"), list):
        raise InputError(_("{file}: is no file of checks. Save the checks on the map again.").format(file=file))
    entries: list[Entry] = []
    for number, check in enumerate(facts["checks"], start=1):
        when = read_time(str(check.get("at", ""))) if isinstance(check, dict) else None
        if when is None or not isinstance(check.get("site"), str) or check.get("state") not in _CHECK_STATES:
            raise InputError(
                _("{file}: check {number} cannot be read. Save the checks on the map again.").format(file=file, number=number)
            )
        site, state = clean_text(check["site"]), _CHECK_STATES[check["state"]]
        is_utc = _is_utc(str(check["at"]))
        entry = Entry(
            name=site, state=state, day=when[0], time_s=when[1], is_utc=is_utc, crew=clean_text(str(check.get("by", ""))),
            source=f"{file}, checks[{number - 1}].site",
        )  # fmt: skip
        entries.append(entry)
        if check["state"] == "not_found" or check.get("damage") or check.get("predators"):
            entries.append(replace(entry, state="flagged", crew=""))
    return tuple(entries)


def _entry(cells: list[str], tick: str, where: str, problems: list[str]) -> Entry | None:
    site, word, when, note, crew, day = cells
    if day and not re.match(r"\d{4}-", when):
        when = f"{day} {when}".strip()
    state = plain_letters(word)
    if state in _NOT_YET:
        return None
    if not site:
        problems.append(_("{where}: no site is named.").format(where=where))
        return None
    if state not in WORDS:
        problems.append(
            _("{where}: '{word}' is no state of a site; there are {known}.").format(
                where=where, word=word, known=", ".join(sorted({w for w in WORDS.values() if w}))
            )
        )
        return None
    at = read_time(when)
    if at is None:
        problems.append(
            _("{where}: '{word}' is no time; write 2027-02-16 09:30 or 09:30.").format(where=where, word=when)
        )
        return None
    return Entry(name=site, state=WORDS[state] or tick, day=at[0], time_s=at[1], is_utc=_is_utc(when), note=note, crew=_CREW.sub("", crew))


def read_time(text: str) -> tuple[date | None, float | None] | None:
    """Date and seconds after midnight of a text, each None where it is not said; None where the text is no time.

    >>> read_time("2027-02-16T09:30"), read_time("9:05"), read_time("1:05:00 PM"), read_time("13:05 pm"), read_time("soon")
    ((datetime.date(2027, 2, 16), 34200.0), (None, 32700.0), (None, 47100.0), None, None)
    """
    match = _TIME.match(text.strip())
    if match is None:
        return None
    try:
        on = date(int(match["year"]), int(match["month"]), int(match["day"])) if match["year"] else None
    except ValueError:
        return None
    if match["hour"] is None:
        return on, None
    seconds = clock_s(f"{match['hour']}:{match['minute']} {match['half'] or ''}")
    return None if seconds is None else (on, seconds)


def _is_utc(text: str) -> bool:
    """Whether a time that can be read is one of UTC."""
    match = _TIME.match(text.strip())
    return match is not None and match["hour"] is not None and (match["zone"] or "").upper() in _UTC
