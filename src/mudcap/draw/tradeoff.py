"""The trade-off page: for each block a table and a plot of what more sites, or fewer driven rows, would change."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from html import escape
from itertools import groupby
from typing import Final

from mudcap.geo.units import M_PER_FT, Units
from mudcap.lang import translator
from mudcap.plan.compare import TradeOff

WIDTH, HEIGHT, LEFT, BOTTOM, TOP, RIGHT = 420, 230, 52, 40, 14, 14
Word = Callable[[str], str]

STYLE: Final = """
body{font:16px/1.4 system-ui,sans-serif;color:#000;background:#fff;margin:1rem auto;max-width:62rem;padding:0 1rem}
h1{font-size:1.5rem}h2{font-size:1.2rem;border-top:2px solid #000;padding-top:.6rem}
table{border-collapse:collapse;margin:.5rem 0}th,td{border:1px solid #000;padding:.25rem .5rem;text-align:right}.wide{overflow-x:auto}
th:first-child,td:first-child{text-align:left}tr.now td{font-weight:700}figure{display:inline-block;margin:0 1rem 0 0}
svg text{font:12px system-ui,sans-serif}
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Curve:
    """One line of a plot; it is told from the others by its marks and dashes, not by colour."""

    label: str
    x: tuple[float, ...]
    y: tuple[float, ...]
    mark: str
    dash: str = ""


def trade_off_page(
    rows: Sequence[TradeOff], *, ranch: str, now: float, units: Units, lang: str = "en"
) -> str:
    """A whole page of HTML, without script and without network; `now` is the plan's own density, set in bold."""
    word = translator(lang)
    parts = [
        "<!DOCTYPE html>",
        f'<html lang="{escape(lang)}"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width">',
        f"<title>{escape(ranch)}</title><style>{STYLE}</style></head><body>",
        f"<h1>{escape(ranch)}: {escape(word('what more or fewer sites would change'))}</h1>",
        f"<p>{escape(word('Each line is solved anew, every block alone. Bold: the density of the plan.'))}</p>",
    ]
    for block_id, group in groupby(rows, key=lambda r: r.block_id):
        parts.append(_block(block_id, list(group), now, units, word))
    return "\n".join([*parts, "</body></html>"]) + "\n"


def plot(title: str, x_label: str, y_label: str, curves: Sequence[Curve]) -> str:
    """An SVG plot of a few curves, axes from the data, readable in black and white."""
    xs = [v for c in curves for v in c.x]
    ys = [v for c in curves for v in c.y]
    x0, x1 = _span(xs)
    y0, y1 = _span(ys)

    def at(x: float, y: float) -> tuple[float, float]:
        return (
            LEFT + (x - x0) / (x1 - x0) * (WIDTH - LEFT - RIGHT),
            HEIGHT - BOTTOM - (y - y0) / (y1 - y0) * (HEIGHT - BOTTOM - TOP),
        )

    out = [f'<svg role="img" width="{WIDTH}" height="{HEIGHT + 20}" viewBox="0 0 {WIDTH} {HEIGHT + 20}">']
    out.append(f"<title>{escape(title)}</title>")
    out.append(
        f'<path d="M{LEFT} {TOP}V{HEIGHT - BOTTOM}H{WIDTH - RIGHT}" fill="none" stroke="#000" stroke-width="1.5"/>'
    )
    for x in sorted(set(xs)):
        px, py = at(x, y0)
        out.append(f'<text x="{px:.1f}" y="{py + 16:.1f}" text-anchor="middle">{x:g}</text>')
    digits = max(0, math.ceil(-math.log10((y1 - y0) / 4)) + 1)  # so many that no two lines read alike
    for k in range(5):
        y = y0 + (y1 - y0) * k / 4
        px, py = at(x0, y)
        out.append(f'<text x="{px - 6:.1f}" y="{py + 4:.1f}" text-anchor="end">{y:.{digits}f}</text>')
        out.append(f'<path d="M{LEFT} {py:.1f}H{WIDTH - RIGHT}" stroke="#999" stroke-width=".5"/>')
    for n, curve in enumerate(curves):
        points = [at(x, y) for x, y in zip(curve.x, curve.y, strict=True)]
        path = " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
        out.append(
            f'<polyline points="{path}" fill="none" stroke="#000" stroke-width="1.5" stroke-dasharray="{curve.dash}"/>'
        )
        out += [_mark(curve.mark, x, y) for x, y in points]
        out.append(_mark(curve.mark, LEFT + 10 + 180 * n, HEIGHT + 10))
        out.append(f'<text x="{LEFT + 20 + 180 * n}" y="{HEIGHT + 14}">{escape(curve.label)}</text>')
    out.append(
        f'<text x="{(LEFT + WIDTH) / 2}" y="{HEIGHT - 6}" text-anchor="middle">{escape(x_label)}</text>'
    )
    out.append(
        f'<text x="12" y="{HEIGHT / 2}" text-anchor="middle" transform="rotate(-90 12 {HEIGHT / 2})">{escape(y_label)}</text>'
    )
    return "".join([*out, "</svg>"])


def _block(block_id: str, rows: list[TradeOff], now: float, units: Units, word: Word) -> str:
    scale, unit = (1 / M_PER_FT, "ft") if units == "us" else (1.0, "m")
    first_economy = rows[0].row_economy
    density = [r for r in rows if r.row_economy == first_economy]
    density = [r for k, r in enumerate(density) if r.per_acre not in [q.per_acre for q in density[:k]]]
    economy = sorted(
        {r.row_economy: r for r in rows if r.per_acre == now}.values(), key=lambda r: r.row_economy
    )
    per_acre = tuple(r.per_acre for r in density)
    plots = [
        plot(
            word("Distance to the nearest shelter"), word("sites an acre"), unit,
            [
                Curve(label=word("farthest tree"), x=per_acre, y=tuple(r.farthest_m * scale for r in density), mark="square"),
                Curve(label=word("mean"), x=per_acre, y=tuple(r.mean_m * scale for r in density), mark="circle", dash="5 3"),
            ],
        )
    ]  # fmt: skip
    if len(economy) > 1:
        plots.append(
            plot(
                word("Rows to drive"), word("rows to drive"), word("mean distance") + f" [{unit}]",
                [Curve(label=word("at the plan's density"), x=tuple(float(r.driven_rows) for r in economy),
                       y=tuple(r.mean_m * scale for r in economy), mark="triangle")],
            )
        )  # fmt: skip
    heads = [
        word("Sites an acre"), word("Given up for fewer rows"), word("Shelters"), f"{word('Farthest tree')} [{unit}]",
        f"{word('Mean')} [{unit}]", word("Unevenness (CV of trees a site)"), word("Cavities a site, mean"), word("most"), word("Rows to drive"),
        f"{word('Their length')} [{unit}]", word("Hours a check"),
    ]  # fmt: skip
    head = "".join(f"<th>{escape(h)}</th>" for h in heads)
    varied = [r for r in economy if r.row_economy != first_economy]
    body = "".join(
        _line(r, r.per_acre == now and r.row_economy == first_economy, scale) for r in [*density, *varied]
    )
    figures = "".join(f"<figure>{p}</figure>" for p in plots)
    return f"<h2>{escape(block_id)}</h2>{figures}<div class='wide'><table><tr>{head}</tr>{body}</table></div>"


def _line(row: TradeOff, is_now: bool, scale: float) -> str:
    cells = [
        f"{row.per_acre:g}", f"{row.row_economy:g}", f"{row.sites:,}", f"{row.farthest_m * scale:.1f}", f"{row.mean_m * scale:.2f}",
        f"{row.trees_cv:.3f}", f"{row.cavities_mean:.1f}", f"{row.cavities_max:,}", f"{row.driven_rows}",
        f"{row.driven_m * scale:,.0f}", f"{row.round_h:.1f}",
    ]  # fmt: skip
    return f'<tr class="{"now" if is_now else ""}">' + "".join(f"<td>{c}</td>" for c in cells) + "</tr>"


def _span(values: Sequence[float]) -> tuple[float, float]:
    low, high = min(values), max(values)
    pad = (high - low) * 0.08 or abs(high) * 0.05 or 1.0
    return low - pad, high + pad


def _mark(kind: str, x: float, y: float) -> str:
    if kind == "circle":
        return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="4" fill="#fff" stroke="#000" stroke-width="1.5"/>'
    if kind == "square":
        return f'<rect x="{x - 4:.1f}" y="{y - 4:.1f}" width="8" height="8" fill="#000"/>'
    return f'<path d="M{x:.1f} {y - 5:.1f}l5 9h-10z" fill="#000"/>'
