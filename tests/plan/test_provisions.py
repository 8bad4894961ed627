"""Mud and cocoons in a whole plan: who is barred, what is told, written and checked."""

from __future__ import annotations

import json
from dataclasses import replace
from importlib import resources

import gpxpy
import jsonschema
import numpy as np
import pyogrio
import pytest
from shapely import LineString, Point

from mudcap.audit.check import check
from mudcap.audit.claim import Zone
from mudcap.draw.scene import make_scene
from mudcap.draw.webmap import web_map
from mudcap.files.geopackage import write_geopackage
from mudcap.files.provisions_text import volume_text
from mudcap.files.ranch import open_ranch
from mudcap.files.report_json import report
from mudcap.files.report_text import report_md
from mudcap.files.waypoints import sites_gpx
from mudcap.orchard.model import Exclusion, Feature, MudSource, Role
from mudcap.orchard.params import RowParams
from mudcap.place.fallback import hexagonal
from mudcap.place.params import MudParams, PlaceParams
from mudcap.plan.claims import claim_of
from mudcap.plan.make import make_plan, solve_here
from mudcap.plan.model import Earlier, Params, Plan
from mudcap.supply.release import ReleaseParams
from orchards import two_blocks_and_a_road

QUICK = PlaceParams(effort="quick")
NONE = np.empty(0, np.int64)


def grids(jobs):
    """Hexagonal layouts for the sites, the solver itself for puddles."""
    return [
        solve_here([j])[0] if j.problem.objective == "fewest" else replace(hexagonal(j.problem), stopped=False, fallback=False)
        for j in jobs
    ]


def plan_of(ground=None, **options) -> Plan:
    """A plan of two blocks with a clean ditch end at the road's east end."""
    return make_plan(ground or two_blocks_and_a_road(), Params(**{"place": QUICK, **options}), solve_all=grids)


@pytest.fixture(scope="module")
def plan() -> Plan:
    return plan_of()


def said(plan: Plan, code: str) -> list[str]:
    return [f.text for f in plan.findings if f.code == code]


def test_the_plan_buys_the_puddle_and_bars_no_station_it_reaches(plan):
    """Every station has mud or a place for a puddle within the limit, so none is barred; every site is served once."""
    assert plan.puddles is not None and plan.puddles.puddles and not plan.puddles.unserved
    assert not (plan.candidates.reasons & int(Exclusion.NO_MUD)).any()
    needy = [k for k, s in enumerate(plan.sites) if s.mud_m > 50.0]
    assert sorted(k for p in plan.puddles.puddles for k in p.sites) == needy
    (text,) = said(plan, "beyond_mud")
    assert f"{len(needy)} of {len(plan.sites)} sites" in text and f"{len(plan.puddles.puddles)} puddles" in text
    assert "no fewer will do" in text and not [f for f in plan.findings if f.level == "error"]


def test_existing_mud_only_bars_what_is_beyond_and_plans_nothing():
    """`mud.mode = "existing"`: no puddle, no place for one, stations beyond the limit barred."""
    made = plan_of(mud=MudParams(mode="existing"))
    assert made.puddles is None and made.candidates.puddle_m is None
    barred = (made.candidates.reasons & int(Exclusion.NO_MUD)) != 0
    assert (barred == (made.candidates.mud_m > 50.0)).all() and barred.any()
    assert report(made)["water_round"] is None and report(made)["puddles"] == []


def test_nothing_is_looked_for_where_all_stations_have_mud():
    """A limit as wide as the ranch."""
    made = plan_of(mud=MudParams(limit_m=390.0))
    assert made.puddles is None and made.candidates.puddle_m is None and not said(made, "beyond_mud")


def test_stations_that_neither_mud_nor_a_puddle_reaches_are_barred():
    """Short hose, no alleys: the middle of the blocks is out of reach of road and headland, and the sites keep off it."""
    made = plan_of(mud=MudParams(alleys=False, hose_m=0.0, limit_m=40.0))
    reach = made.candidates.reachable_mud_m
    barred = (made.candidates.reasons & int(Exclusion.NO_MUD)) != 0
    assert (barred == (reach > 40.0)).all() and 0 < barred.sum() < len(barred)
    assert made.puddles is not None and not made.puddles.unserved and all(not s.flags for s in made.sites)


def test_where_too_few_stations_are_left_the_limit_gives_and_the_sites_are_named():
    """A truck kept out by its roads: the quota is met all the same, marked, and each site is listed as unserved."""
    ground = two_blocks_and_a_road()
    ground = replace(ground, mud_sources=(), roads=(replace(ground.roads[0], modes=frozenset({"cart", "foot"})),))
    made = plan_of(ground, mud=MudParams(alleys=False))
    assert made.puddles is not None and not made.puddles.puddles
    assert len(made.puddles.unserved) == len(made.sites) == sum(b.quota for b in made.blocks)
    assert all(b.status == "relaxed" for b in made.blocks)
    (text,) = said(made, "mud_unserved")
    assert made.sites[0].site_id in text and "no place at all" in text
    assert made.sites[-1].site_id in report_md(made)
    assert {u["missing_m"] for u in report(made)["water_round"]["unserved"]} == {None}


def test_report_and_schema(plan):
    """Puddles, round and release points stand in the report, valid by its schema, and add up."""
    facts = json.loads(json.dumps(report(plan)))
    schema = json.loads(resources.files("mudcap.files").joinpath("report.schema.json").read_text(encoding="utf-8"))
    jsonschema.validate(facts, schema)
    assert [p["name"] for p in facts["puddles"]] == [p.name for p in plan.puddles.puddles]
    assert facts["water_round"]["litres"] == 100.0 * len(facts["puddles"]) and facts["water_round"]["status"] == "optimal"
    assert sum(r["females"] for r in facts["release"]) == facts["females"]
    assert sum(r["males"] for r in facts["release"]) == facts["males"]
    for spoil in (
        lambda f: f["puddles"][0].pop("address"), lambda f: f["release"][0].update(row="x"), lambda f: f.pop("water_round"),
    ):  # fmt: skip
        bad = json.loads(json.dumps(facts))
        spoil(bad)
        with pytest.raises(jsonschema.ValidationError):
            jsonschema.validate(bad, schema)


def test_the_report_for_people(plan):
    """The limit is shown as a convention; proof, water and containers in the plan's units."""
    text = report_md(plan)
    for words in (
        "Mud is planned within 164 ft", "no published threshold was found", "it is proven that no fewer will do", "26 gal",
        "wetted twice a week", "## Release points", "in the shade", "no effect in an almond trial", "| A1 | South |",
    ):  # fmt: skip
        assert words in text, words
    metric = report_md(replace(plan, params=replace(plan.params, units="metric")))
    assert "Mud is planned within 50 m" in metric and "100 L" in metric


def test_a_us_gallon_is_231_cubic_inches():
    """By definition: 231 × 2.54³ cm³."""
    assert volume_text(231 * 2.54**3 / 1000 * 528, "us") == "528 gal" and volume_text(2000, "us") == "528 gal"


def test_layers_and_waypoints(plan, tmp_path):
    """plan.gpkg has puddles, round and release points; sites.gpx has them as P1 and A1, at the same places."""
    write_geopackage(plan, tmp_path / "plan.gpkg")
    for layer, count in (("puddles", len(plan.puddles.puddles)), ("release", 2), ("water_round", len(plan.puddles.tour.geoms))):
        assert len(pyogrio.read_dataframe(tmp_path / "plan.gpkg", layer=layer)) == count
    points = {p.name: p for p in gpxpy.parse(sites_gpx(plan)).waypoints}
    assert len(points) == len(plan.sites) + len(plan.puddles.puddles) + len(plan.release)
    for thing in (*plan.puddles.puddles, *plan.release):
        assert (points[thing.name].latitude, points[thing.name].longitude) == (round(thing.lat, 7), round(thing.lon, 7))


def test_layers_of_the_map(plan):
    """Puddles and release points are shown, links and the truck's way on request; each needy site has one link."""
    scene = make_scene(plan)
    shown = {layer.key: layer.shown for layer in scene.layers}
    assert shown["puddles"] and shown["release"] and not shown["puddle_links"] and not shown["water_round"]
    links = scene.layer("puddle_links")
    assert links is not None and len(links.marks) == sum(len(p.sites) for p in plan.puddles.puddles)
    page = web_map(plan)
    assert '"key":"puddles"' in page and plan.puddles.puddles[0].address.split(",")[0] in page


def test_the_toml_sets_mud_and_release(tmp_path):
    """Lengths with units, wrong words and numbers out of range by their full names."""
    (tmp_path / "blocks.geojson").write_text('{"type": "FeatureCollection", "features": []}')
    toml = tmp_path / "mudcap.toml"
    toml.write_text('[mud]\nhose = "60 ft"\nalleys = false\nrewet_days = 4\n[release]\nmode = "spread"\npoints = 3\nlane_clear = "20 ft"\n')
    params = open_ranch(tmp_path).params
    assert params.mud == MudParams(hose_m=60 * 0.3048, alleys=False, rewet_days=4)
    assert params.release == ReleaseParams(mode="spread", points=3, lane_clear_m=20 * 0.3048)
    toml.write_text("[mud]\nhoze_m = 3\ntank_l = 0.5\n[release]\nmode = 'everywhere'\npoints = 0\n")
    with pytest.raises(Exception, match="hoze_m") as error:
        open_ranch(tmp_path)
    for words in ("did you mean hose_m", "mud.tank_l", "release.mode", "release.points"):
        assert words in str(error.value)


def test_what_to_look_at_on_the_ground_is_told():
    """Sandy ground, a store whose fall nobody knows, and a water point that no way comes near."""
    ground = two_blocks_and_a_road()
    store = Feature(role=Role.CHEMICAL_STORE, name="Shed 2", geometry=Point(90, 60), attributes={})
    tap = Feature(role=Role.WATER_POINTS, name="Far tap", geometry=Point(2000, 0), attributes={})
    soil = Feature(role=Role.SOIL, name="sand", geometry=Point(30, 0).buffer(400), attributes={"texture": "sand"})
    made = plan_of(replace(ground, features=(store, tap, soil)))
    assert "bring clay" in said(made, "puddle_low_clay")[0] and "Far tap" in said(made, "water_point_unreached")[0]
    assert "Shed 2" in said(made, "store_fall_unknown")[0]
    known = replace(store, attributes={"downhill_deg": "90"})
    assert not said(plan_of(replace(ground, features=(known,))), "store_fall_unknown")


def test_puddles_in_alleys_that_are_all_sprayed_are_told():
    """Alleys bar nothing where all are sprayed, so the mud in them is what to look after."""
    assert "P2" in said(plan_of(rows=RowParams(sprayed_every=1)), "puddle_sprayed")[0]
    assert not said(plan_of(), "puddle_sprayed")


FAULTS = {
    "mud_missing": lambda c: replace(c, puddles=c.puddles[1:]),
    "mud_listed": lambda c: replace(c, unserved=((0, 3.0),)),
    "mud_served": lambda c: replace(c, puddles=(replace(c.puddles[0], sites=c.puddles[0].sites[:-1]), *c.puddles[1:])),
    "puddle_far": lambda c: replace(c, puddles=(replace(c.puddles[0], farthest_m=1.0), *c.puddles[1:])),
    "puddle_bound": lambda c: replace(c, bound=99),
    "water_way": lambda c: replace(c, tour_m=c.tour_m - 10.0),
}


@pytest.mark.parametrize("code", FAULTS)
def test_the_checker_finds_a_planted_fault_in_mud(plan, code):
    """And none in the plan as it is."""
    claim = claim_of(plan, earlier=Earlier(), pinned=NONE)
    assert not check(claim)
    assert f"audit_{code}" in {f.code for f in check(replace(claim, brought=FAULTS[code](claim.brought)))}


@pytest.mark.parametrize(
    ("code", "changes"),
    [
        ("release_sum", {"females": 1}),
        ("release_containers", {"containers": 99}),
        ("release_containers", {"containers": 0}),
        ("release_address", {"x_m": -5.0}),
    ],
)
def test_the_checker_finds_a_planted_fault_in_cocoons(plan, code, changes):
    """A sum, a count of containers, a place."""
    claim = claim_of(plan, earlier=Earlier(), pinned=NONE)
    bad = replace(claim, release=(replace(claim.release[0], **changes), *claim.release[1:]))
    assert f"audit_{code}" in {f.code for f in check(bad)}


def test_the_checker_finds_a_puddle_in_a_zone(plan):
    """Moved into the lane, the keep-out or the like."""
    claim = claim_of(plan_of(replace(two_blocks_and_a_road(), mud_sources=())), earlier=Earlier(), pinned=NONE)
    p = claim.brought.puddles[0]
    zone = Zone(name="pump", geometry=Point(p.x_m + 2.0, p.y_m), clear_m=3.0, flag=Exclusion.KEEP_OUT)
    assert "audit_puddle_in_zone" in {f.code for f in check(replace(claim, zones=(*claim.zones, zone)))}


def test_a_solver_that_fails_leaves_greedy_puddles_and_says_so():
    """The fallback serves every site; the plan is then not reproducible."""
    made = make_plan(
        two_blocks_and_a_road(), Params(place=QUICK),
        solve_all=lambda jobs: [hexagonal(j.problem) if j.problem.objective == "fewest" else grids([j])[0] for j in jobs],
    )  # fmt: skip
    assert made.puddles is not None and made.puddles.status == "stopped" and not made.reproducible
    assert sorted(k for p in made.puddles.puddles for k in p.sites) == [k for k, s in enumerate(made.sites) if s.mud_m > 50.0]


def test_a_clean_ditch_saves_puddles(plan):
    """A wet ditch along the north block's middle: only the south block needs puddles, and they lie nearer to it."""
    ditch = MudSource(name="ditch", geometry=LineString([(33, 10), (33, 125)]), texture="clay loam")
    fewer = plan_of(replace(two_blocks_and_a_road(), mud_sources=(ditch,)))
    assert fewer.puddles is not None and len(fewer.puddles.puddles) < len(plan.puddles.puddles)
    assert {fewer.sites[k].block_id for p in fewer.puddles.puddles for k in p.sites} == {"South"}
