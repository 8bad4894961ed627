"""The trade-off page: every choice a line, whatever the blocks are called, in the reader's units."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from html import unescape

import pytest

from mudcap.draw.tradeoff import Curve, plot, trade_off_page
from mudcap.plan.compare import TradeOff

ROW = TradeOff(
    block_id="North", per_acre=9.0, row_economy=0.03, sites=90, farthest_m=12.0, mean_m=7.0, trees_cv=0.1, cavities_mean=88.0,
    cavities_max=104, driven_rows=5, driven_m=1000.0, round_h=1.3,
)  # fmt: skip
ROWS = tuple(replace(ROW, per_acre=d, sites=int(10 * d), farthest_m=100 / d, mean_m=63 / d) for d in (8.0, 9.0, 10.0))
ECONOMY = tuple(replace(ROWS[1], row_economy=r, driven_rows=5 - k) for k, r in enumerate((0.0, 0.03, 0.1)))
HOSTILE = "</h2><script>alert(1)</script>&\"'"


def page(rows=ROWS, **said) -> str:
    return trade_off_page(rows, **{"ranch": "Test ranch", "now": 9.0, "units": "us", **said})


def lines(text: str) -> list[list[str]]:
    return [
        [unescape(c) for c in re.findall(r"<td>(.*?)</td>", line)]
        for line in re.findall(r"<tr class=[^>]*>(.*?)</tr>", text)
    ]


def test_each_choice_is_one_line_and_the_plans_own_is_bold():
    """Also without row economies; none is there twice."""
    assert [c[:3] for c in lines(page())] == [["8", "0.03", "80"], ["9", "0.03", "90"], ["10", "0.03", "100"]]
    assert [c[:2] for c in lines(page((*ROWS, *ECONOMY)))] == [
        ["8", "0.03"], ["9", "0.03"], ["10", "0.03"], ["9", "0"], ["9", "0.1"],
    ]  # fmt: skip
    bold = re.findall(r'<tr class="now">(.*?)</tr>', page((*ROWS, *ECONOMY)))
    assert len(bold) == 1 and bold[0].startswith("<td>9</td><td>0.03</td>")


@pytest.mark.parametrize(("units", "farthest", "driven"), [("us", "36.5", "3,281"), ("metric", "11.1", "1,000")])
def test_lengths_in_the_units_asked_for(units, farthest, driven):
    """Heads name the unit."""
    text = page(units=units)
    assert lines(text)[1][3] == farthest and lines(text)[1][9] == driven
    assert ("[ft]" in text) == (units == "us") and ("[m]" in text) == (units == "metric")


def test_names_are_shown_and_never_run():
    """Ranch and block alike."""
    text = page([replace(r, block_id=HOSTILE) for r in ROWS], ranch=HOSTILE)
    assert "<script" not in text and text.count("&lt;script&gt;alert(1)") == 3
    assert unescape(re.search(r"<h2>(.*?)</h2>", text).group(1)) == HOSTILE


def test_the_page_needs_nothing_from_outside():
    """No script, no address, no picture; the same every time."""
    text = page((*ROWS, *ECONOMY))
    assert not re.search(r"<script|src=|href=|url\(|https?:", text) and text == page((*ROWS, *ECONOMY))
    assert text.count("<figure>") == 2 and page().count("<figure>") == 1


def test_a_block_with_one_choice_and_no_block_at_all():
    """Axes of a single value, and an empty comparison."""
    assert len(lines(page(ROWS[1:2]))) == 1 and "nan" not in page(ROWS[1:2])
    assert "<h2>" not in page(())


def test_blocks_have_their_own_part_each():
    """In the order given."""
    text = page((*ROWS, *(replace(r, block_id="South") for r in ROWS)))
    assert re.findall(r"<h2>(.*?)</h2>", text) == ["North", "South"] and len(lines(text)) == 6


def test_the_plot_is_a_picture_of_its_numbers():
    """Read back from the marks: order and proportion of the values; curves told apart by mark and dash, not colour."""
    curves = [
        Curve(label="a<b", x=(8.0, 9.0, 10.0), y=(12.0, 11.0, 9.0), mark="square"),
        Curve(label="mean", x=(8.0, 9.0, 10.0), y=(7.0, 6.5, 6.0), mark="circle", dash="5 3"),
    ]
    root = ET.fromstring(plot("t & t", "x", "y", curves))
    first, second = (
        [tuple(map(float, p.split(","))) for p in line.get("points").split()] for line in root.iter("polyline")
    )
    assert [x for x, _y in first] == [x for x, _y in second]
    assert first[1][0] - first[0][0] == pytest.approx(first[2][0] - first[1][0], abs=0.2)
    assert (first[2][1] - first[1][1]) / (first[1][1] - first[0][1]) == pytest.approx(2, rel=0.02)
    width, height = float(root.get("width")), float(root.get("height"))
    assert all(0 < x < width and 0 < y < height for x, y in (*first, *second))
    assert len(list(root.iter("circle"))) == 4 and len(list(root.iter("rect"))) == 4
    assert {e.get("stroke") for e in root.iter("polyline")} == {"#000"}
    for low, high in ((23.86, 24.0), (9.0, 9.004), (1000.0, 4000.0)):
        close = ET.fromstring(plot("t", "x", "y", [Curve(label="", x=(8.0, 9.0), y=(low, high), mark="square")]))
        ticks = [t.text for t in close.iter("text") if t.get("text-anchor") == "end"]
        assert len(set(ticks)) == len(ticks) == 5
    assert [t.text for t in root.iter("title")] == ["t & t"] and "a<b" in [t.text for t in root.iter("text")]
