"""What a label's QR code says, and its squares.

The payload is one text that a phone's camera opens as a place, and that names the site:

    geo:36.123456,-119.123456?mudcap=0badcafe/CRK0012

Up to the '?' it is a geo URI of RFC 5870 in WGS 84 with six decimals (0.1 m). The site key comes as a query (RFC 3986,
section 3.4) and not as one of RFC 5870's ';' parameters, since many programs read 'geo:lat,lon' or 'geo:lat,lon?…' and nothing
else. `plan` is the plan that printed the label; the site_id alone, which is never used twice in a ranch, says which site.

References: RFC 5870 (geo URI); RFC 3986; ISO/IEC 18004:2015 (QR code; four modules of quiet zone, table 7 capacities).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import segno

from mudcap.lang import _
from mudcap.plan.picking import Pick

QUIET: Final = 4
"""Modules kept free on each side: ISO/IEC 18004:2015, section 6.3.8."""
GOOD_MM: Final = 0.40
"""Width of a module that phones read at arm's length: common practice, no source. A finer one is used only where a label
leaves no room, and then with less correction."""
LEAST_MM: Final = 0.25
"""Below this (3 dots of a 300 dpi printer) no code is printed: common practice, no source."""
_LEVELS: Final = ("q", "m", "l")
"""Error correction from strong (25 % may be dirt) to weak (7 %)."""
_KEY: Final = re.compile(r"geo:(-?\d+(?:\.\d+)?),(-?\d+(?:\.\d+)?)\?mudcap=([0-9a-f]*)/([A-Z0-9]+)\Z")


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteKey:
    """What a scanned label says."""

    plan: str
    site_id: str
    lon: float
    lat: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Code:
    """One QR code: its rows of dark (True) and light modules, quiet zone left out."""

    rows: tuple[tuple[bool, ...], ...]
    level: str
    """Error correction: L, M, Q or H."""

    @property
    def modules(self) -> int:
        """Modules on a side with the quiet zone."""
        return len(self.rows) + 2 * QUIET

    def runs(self) -> Iterator[tuple[int, int, int]]:
        """(row from the top, first column, length) of each run of dark modules."""
        for r, row in enumerate(self.rows):
            start = None
            for c, dark in enumerate((*row, False)):
                if dark and start is None:
                    start = c
                elif not dark and start is not None:
                    yield r, start, c - start
                    start = None


def payload(pick: Pick, plan_number: str) -> str:
    """The text of a site's code.

    >>> pick = Pick(site_id="CRK0012", block_id="Creek", number=12, row=4, tree=9, lon=-119.1234567, lat=36.0, cavities=80,
    ...             females=40, males=60)
    >>> payload(pick, "0badcafe")
    'geo:36.000000,-119.123457?mudcap=0badcafe/CRK0012'
    """
    return f"geo:{_plain(pick.lat)},{_plain(pick.lon)}?mudcap={plan_number}/{pick.site_id}"


def _plain(value: float) -> str:
    text = f"{value:.6f}"
    return text.removeprefix("-") if float(text) == 0 else text


def read_payload(text: str) -> SiteKey | None:
    """What a scanned text says; None where it is none of ours.

    >>> read_payload("geo:36.000000,-119.123457?mudcap=0badcafe/CRK0012").site_id
    'CRK0012'
    """
    match = _KEY.match(text.strip())
    if match is None:
        return None
    lat, lon = float(match[1]), float(match[2])
    return SiteKey(plan=match[3], site_id=match[4], lon=lon, lat=lat) if abs(lat) <= 90 and abs(lon) <= 180 else None


def make_code(text: str, side_mm: float) -> Code:
    """The code of `text` for a square of `side_mm`, with the strongest correction whose modules stay easy to read.

    Raises ``ValueError`` where even the weakest would be too fine to print.
    """
    made = None
    for level in _LEVELS:
        made = segno.make_qr(text, error=level)
        if side_mm / (made.symbol_size(border=0)[0] + 2 * QUIET) >= GOOD_MM:
            break
    assert made is not None
    code = Code(rows=tuple(tuple(bool(m) for m in row) for row in made.matrix), level=str(made.error))
    if side_mm / code.modules < LEAST_MM:
        text = _("a label that leaves {side:.1f} mm for its code is too small: {modules} squares a side could not be scanned.")
        raise ValueError(text.format(side=side_mm, modules=code.modules))
    return code
