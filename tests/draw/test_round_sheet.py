"""Crew sheets and the map of a round, read back."""

from __future__ import annotations

import dataclasses
import json
import re
from datetime import date
from io import BytesIO

import pdfplumber
import pytest
from pypdf import PdfReader
from shapely import MultiLineString

from mudcap.draw.round_scene import with_round
from mudcap.draw.round_sheet import round_sheet
from mudcap.draw.scene import make_scene
from mudcap.draw.webmap import web_map
from mudcap.lang import translator
from mudcap.plan.round_make import make_round
from mudcap.plan.round_model import RoundOptions, SampleOptions
from mudcap.plan.round_words import clock, why_text
from mudcap.plan.spoken import round_in
from mudcap.supply.model import Puddle, PuddlePlan
from round_plans import every_third, plan_at, three_blocks
from small_plan import HOSTILE_NAMES

BLOCKS = ("West", "Mid", "East")


@pytest.fixture(scope="module")
def plan():
    """Three blocks with sixty sites."""
    return plan_at(three_blocks(), [s for b in BLOCKS for s in every_third(b)])


@pytest.fixture(scope="module")
def fetching(plan):
    """Two crews who do not get done."""
    options = RoundOptions(task="fetch", num_crews=2, day_s=3000.0, first_day=date(2027, 4, 5), zone_h=-7, lunch_s=None)
    return make_round(plan, options)


@pytest.fixture(scope="module")
def pages(plan, fetching):
    """Texts of the fetching round's pages, blanks made one."""
    reader = PdfReader(BytesIO(round_sheet(plan, fetching)))
    return [re.sub(r"\s+", " ", page.extract_text()) for page in reader.pages]


def test_the_front_page_tells_the_round_and_what_is_not_done(pages, fetching):
    """Days, daylight, cautions; a band on each page where something is left."""
    assert fetching.left and f"INCOMPLETE: {len(fetching.left)} places" in pages[0]
    assert all("INCOMPLETE" in page for page in pages)
    assert "Daylight 06:" in pages[0] and "Day 1, 2027-04-05" in pages[0]
    told = re.findall(r"([A-Z]+)(\d+)(?:–[A-Z]+(\d+))?", re.search(r"Not gone to: .*?Work safely", pages[0])[0])
    named = {f"{stem}{k:0{len(a)}d}" for stem, a, b in told for k in range(int(a), int(b or a) + 1)}
    assert {n.name for n in fetching.left} <= named
    assert len(told) < len(fetching.left)
    for word in ("re-entry interval on the label", "helmet", "Stings", "local code, a licensed person", "shaker"):
        assert word in pages[0]


def test_a_flagged_site_that_finds_no_time_is_told_first(plan, fetching):
    """By name, before all others."""
    name = fetching.left[-1].name
    told = dataclasses.replace(fetching, options=dataclasses.replace(fetching.options, flagged=(name, fetching.days[0].stops[0].visit.name)))
    front = re.sub(r"\s+", " ", PdfReader(BytesIO(round_sheet(plan, told))).pages[0].extract_text())
    assert f"Flagged, and still not gone to: {name}. " in front


def test_each_crew_has_its_part_with_every_stop_and_the_cautions(pages, fetching):
    """All the stops' names stand on pages of the crew; sentences by the clock; cautions on every crew's pages."""
    for day in fetching.days:
        own = " ".join(p for p in pages if f"Crew {day.crew}, Day 1" in p and "Every site of the plan" not in p)
        assert all(s.visit.name in own for s in day.stops)
        assert "Enter between rows" in own and "Go to" in own and "Work safely" in own and "one rider on an ATV" in own
        assert re.search(r"07:0\d (Go to|Along)", own)


def test_a_box_tells_row_tree_side_and_number(plan, fetching):
    """Nobody need look back for the row; at 8 pt or more, the site's name smaller beside it."""
    stop = next(s for s in fetching.days[0].stops if s.side)
    wanted = f"R{stop.visit.row} T{stop.visit.tree} {stop.side} · no. {stop.visit.number}"
    with pdfplumber.open(BytesIO(round_sheet(plan, fetching))) as document:
        lines = [line for page in document.pages for line in page.extract_text_lines() if f"{wanted} {stop.visit.name}" in line["text"]]
    (line,) = lines
    sizes = {c["text"]: c["size"] for c in line["chars"]}
    assert sizes["R"] >= 8 and sizes["·"] >= 8 and min(sizes.values()) >= 7
    assert f"{stop.order} {wanted} {stop.visit.name}" in line["text"]


def test_why_a_site_is_not_fetched_is_a_digit_with_its_key_on_each_page(plan, fetching):
    """Nothing is cut off: the whole reason stands above each page of the list."""
    spanish = round_in(fetching, "es")
    for made, lang in ((fetching, "en"), (spanish, "es")):
        reader = PdfReader(BytesIO(round_sheet(plan, made, lang=lang)))
        pages = [re.sub(r"\s+", " ", p.extract_text()) for p in reader.pages]
        proof = [p for p in pages if translator(lang)("Every site of the plan") in p]
        assert proof and all(f"5 {why_text(fetching.left[0], fetching, translator(lang))}" in page for page in proof)
        assert sum(page.count("! 5") for page in proof) == len(fetching.left)
        assert not any("…" in page for page in proof)


def test_the_list_that_proves_it_holds_every_site_once(pages, plan, fetching):
    """Fetched by whom and when, or why not; and the posts and anchors, block by block, to be signed."""
    proof = " ".join(p for p in pages if "Every site of the plan" in p)
    for site in plan.sites:
        assert proof.count(site.site_id) == 1
    done = fetching.num_stops
    assert f"60 sites in the plan: {done} fetched in this round, 0 fetched before, {60 - done} left." in proof
    hardware = " ".join(p for p in pages if "Posts and anchors" in p)
    assert all(site.site_id in hardware for site in plan.sites)
    assert all(f"Block {b} is clear" in hardware for b in BLOCKS)


def test_the_same_bytes_and_each_paper(plan, fetching):
    """Again the same; A3 is larger; another paper is refused."""
    assert round_sheet(plan, fetching) == round_sheet(plan, fetching)
    page = PdfReader(BytesIO(round_sheet(plan, fetching, page="a3"))).pages[0]
    assert float(page.mediabox.width) == pytest.approx(297 * 72 / 25.4, abs=0.1)
    with pytest.raises(ValueError, match="b5"):
        round_sheet(plan, fetching, page="b5")


def test_maps_carry_positions_and_the_order(plan, fetching):
    """The way's page and each block's are measured viewports; order numbers stand on the block's map."""
    reader = PdfReader(BytesIO(round_sheet(plan, fetching)))
    maps = [p for p in reader.pages if "/VP" in p]
    assert len(maps) == sum(1 + len(d.blocks) for d in fetching.days)
    text = maps[1].extract_text()
    block = fetching.days[0].blocks[0]
    orders = [s.order for s in fetching.days[0].stops if s.visit.block_id == block]
    assert sum(bool(re.search(rf"(?<!\d){n}(?!\d)", text)) for n in orders) == len(orders)


def test_puddles_stand_on_the_maps_of_their_blocks_in_order(plan):
    """A wetting round: the way's map, one a block with its own stops and times, and how much water each puddle takes."""
    spots = {"P1": ("West", 12.0, -3.0), "P2": ("East", 130.0, -3.0), "P3": ("West", 30.0, -3.0)}
    lonlat = plan.orchard.plane.to_lonlat([(x, y) for _block, x, y in spots.values()])
    puddles = tuple(
        Puddle(name=name, x_m=x, y_m=y, lon=float(lon), lat=float(lat), block_id=block, stand="road", address="the road", sites=(),
               farthest_m=10.0, litres=100.0)
        for (name, (block, x, y)), (lon, lat) in zip(spots.items(), lonlat, strict=True)
    )  # fmt: skip
    layout = PuddlePlan(
        puddles=puddles, bound=3, status="optimal", unserved=(), rewet_days=2, tour=MultiLineString(), tour_m=0.0, tour_s=0.0, fills=1
    )
    wet = dataclasses.replace(plan, puddles=layout)
    made = make_round(wet, RoundOptions(task="wet", lunch_s=None))
    (day,) = made.days
    pages = PdfReader(BytesIO(round_sheet(wet, made))).pages
    maps = [p for p in pages if "/VP" in p]
    texts = [re.sub(r"\s+", " ", p.extract_text()) for p in maps]
    assert len(maps) == 3 and set(day.blocks) == {"West", "East"} and "Block 2 blocks" in texts[0] and "Way" in texts[0]
    for block, text in zip(day.blocks, texts[1:], strict=True):
        own = [s for s in day.stops if s.visit.block_id == block]
        assert f"Block {block} Stops {len(own)} Time {clock(own[0].begin_s)}–{clock(own[-1].end_s)}" in text
        assert all(re.search(rf"(?<!\d){s.order}(?!\d)", text) for s in own) and all(s.visit.name in text for s in own)
        assert all(f"{s.order} {s.visit.name}" in text for s in own)  # the name stands beside its stop, and no drop beneath it
        assert sum(text.count(s.visit.name) for s in own) == len(own)
    told = re.sub(r"\s+", " ", " ".join(p.extract_text() for p in pages))
    assert told.count(" with 26 gal: the road.") == 3 and f"A, Day 1: {', '.join(day.blocks)}" in told


def test_the_map_has_a_layer_for_each_day_and_crew(plan, fetching):
    """Under the sites, with the way and a mark a stop, and one of what is left; without a round the page is as before."""
    scene = make_scene(plan)
    layers = with_round(scene, plan, fetching).layers
    assert layers[-1].key == "sites" and len(layers) == len(scene.layers) + len(fetching.days) + 1
    for layer, day in zip(layers[-2 - len(fetching.days) : -2], fetching.days, strict=True):
        assert layer.title.startswith("Routes by day: Day 1") and layer.key == f"round-{day.crew}1"
        assert [m.label for m in layer.marks[1:]] == [f"{day.crew}{s.order}" for s in day.stops]
        assert layer.marks[0].geometry.length == pytest.approx(day.metres, rel=0.01)
    page = web_map(plan, "en", fetching)
    data = json.loads(re.search(r'id="mudcap-data">(.*?)</script>', page, re.S)[1])
    assert [x["key"] for x in data["layers"] if x["key"].startswith("round-")] == ["round-A1", "round-B1"]
    (left,) = [x for x in data["layers"] if x["key"] == "left_undone"]
    assert fetching.left and left["title"] == f"Not gone to: {len(fetching.left)}" and left["shown"]
    assert len(left["marks"]) == len(fetching.left) and "no time left" in json.dumps(left["marks"][0])
    whole = web_map(plan, "en", make_round(plan, RoundOptions(task="check", lunch_s=None)))
    assert '"left_undone"' not in re.search(r'id="mudcap-data">(.*?)</script>', whole, re.S)[1]
    assert web_map(plan) == web_map(plan, "en", None) and "round-A1" not in web_map(plan)


def test_hostile_block_names_do_no_harm():
    """Names of blocks go through text only: the sheet is drawn, the map holds them escaped."""
    from dataclasses import replace

    ground = three_blocks()
    blocks = tuple(replace(b, block_id=n) for b, n in zip(ground.blocks, HOSTILE_NAMES[4:7], strict=True))
    plan = plan_at(replace(ground, blocks=blocks), [s for n in HOSTILE_NAMES[4:7] for s in every_third(n)])
    made = make_round(plan, RoundOptions(task="check", sample=SampleOptions(stops=9)))
    assert round_sheet(plan, made).startswith(b"%PDF")
    assert "<script>alert" not in web_map(plan, "en", made)
