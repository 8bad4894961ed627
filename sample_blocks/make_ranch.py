"""Draw the sample ranch again, file by file: `python make_ranch.py [FOLDER]` (this folder if none is named).

The Crooked Ladder Ranch is invented: its blocks, lanes, names and tracks are ours, laid on plain farmland where
longitude 120° W, the border of UTM zones 10 and 11, runs through the San Joaquin Valley. No such ranch exists.
Rows run N–S across a 2,640 × 660 ft forty, as in the 40-acre research block of Boyle et al. 2020 (Ecol. Evol.
10:3189–3199); row and tree spacings are those that farm advisers name for California almond (The Almond Doctor).

Every file is the same to the byte on each run with the same libraries: seeded errors, rounded coordinates, set dates.

Blocks (drawn in feet east and north of 120° W, 36.93° N, turned to true north) and the format each comes in:
  Long Forty  40 acres, half-mile × eighth-mile, across 120° W    zipped shapefile in a folder, State Plane CA 3, US feet
  Noria       pond and pump house in a hole, keep-outs too        the same
  Slant       rows at 17°, beside a canal at 17°                  shapefile without .prj, Windows-1252 text, UTM 10N
  Midway      surveyed trees, across 120° W                       GeoPackage, UTM 10N; trees as CSV
  Cherry      cherries, bowed rows drawn as lines                 GeoPackage, UTM 11N
  Punta       pears, a triangle under 3 acres                     KML
  Codo        an L along the creek                                GeoJSON
  Canal       walked with a handheld, rows not told               GPX
"""

from __future__ import annotations

import io
import json
import math
import random
import sys
import zipfile
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from pathlib import Path
from xml.sax.saxutils import escape

import geopandas as gpd
import pyogrio
import shapely
from pyproj import Transformer
from shapely import LineString, Point, Polygon
from shapely.geometry.base import BaseGeometry

FT = 0.3048
LON0, LAT0 = -120.0, 36.93
LOCAL = f"+proj=tmerc +lat_0={LAT0} +lon_0={LON0} +k=1 +x_0=0 +y_0=0 +datum=WGS84 +units=m +no_defs"
ROUNDED = {"EPSG:4326": 8, "EPSG:2227": 3, "EPSG:26910": 3, "EPSG:32610": 3, "EPSG:32611": 3}
MADE_ON = datetime(2026, 12, 1, 8, 0, tzinfo=UTC)
SLOPE = math.tan(math.radians(17))

Feet = Sequence[tuple[float, float]]
Row = dict[str, object]

# ---------------------------------------------------------------- the ground, in feet


def canal_x(y: float, offset: float = 0.0) -> float:
    """East coordinate of the canal, which runs at 17°, at a northing; `offset` moves it east."""
    return -2070 + offset + SLOPE * (y - 720)


LONG_FORTY: Feet = [(-1980, 20), (660, 20), (660, 680), (-1980, 680)]
NORIA: Feet = [(690, 20), (1800, 20), (1800, 680), (690, 680)]
POND: Feet = [
    (1318 + 92 * math.cos(a / 8 * math.pi), 368 + (58 + 6 * math.sin(a)) * math.sin(a / 8 * math.pi)) for a in range(16)
]
POND_YARD: Feet = [
    (1212, 368), (1250, 436), (1318, 452), (1396, 430), (1462, 392), (1462, 318), (1396, 304), (1318, 286), (1250, 298),
]  # fmt: skip
PUMP_HOUSE: Feet = [(1424, 340), (1446, 340), (1446, 358), (1424, 358)]
SLANT: Feet = [(canal_x(720, 80), 720), (-700, 720), (-700, 1380), (canal_x(1380, 80), 1380)]
MIDWAY: Feet = [(-670, 720), (330, 720), (330, 1380), (-670, 1380)]
CHERRY: Feet = [(360, 720), (1220, 720), (1220, 1380), (360, 1380)]
PUNTA: Feet = [(1290, 720), (1800, 720), (1290, 1180)]
CODO: Feet = [
    (-320, 1420), (1165, 1420), (1150, 1530), (1105, 1620), (1030, 1688), (940, 1722), (830, 1735), (700, 1738),
    (560, 1731), (420, 1742), (310, 1765), (235, 1812), (188, 1880), (172, 1960), (184, 2050), (203, 2140),
    (196, 2230), (180, 2300), (-320, 2300),
]  # fmt: skip
CANAL: Feet = [
    (canal_x(1420, 75), 1420), (-350, 1420), (-350, 2060), (-560, 2112), (-810, 2120), (-1010, 2062), (-1190, 1978),
    (canal_x(1905, 90), 1905),
]  # fmt: skip
CREEK: Feet = [
    (250, 2560), (262, 2400), (280, 2240), (262, 2060), (258, 1960), (300, 1862), (420, 1822), (560, 1812),
    (700, 1820), (860, 1815), (1010, 1782), (1120, 1712), (1205, 1620), (1252, 1500), (1282, 1392), (1340, 1262),
    (1460, 1150), (1620, 1010), (1760, 880), (1872, 772), (1930, 640), (1990, 420), (2030, 180), (2090, -90),
]  # fmt: skip

ROADS: list[tuple[str, Feet, float, str]] = [
    ("South Lane", [(-2255, 0), (-2090, 0), (-1995, 0), (675, 0), (1815, 0), (1960, 0)], 20, "gravel"),
    ("Cross Lane", [(canal_x(700, 35), 700), (-1995, 700), (-685, 700), (345, 700), (675, 700), (1237, 700),
                    (1815, 700)], 16, "dirt"),
    ("North Lane", [(canal_x(1400, 35), 1400), (-685, 1400), (-335, 1400), (345, 1400), (1237, 1400)], 16, "dirt"),
    ("Canal Bank", [(canal_x(y, 35), y) for y in (0, 350, 700, 1050, 1400, 1900)], 14, "dirt"),
    ("Yard Lane", [(-1995, 0), (-1995, 700)], 14, "gravel"),
    ("Pump Lane", [(675, 0), (675, 700)], 14, "dirt"),
    ("East Lane", [(1815, 0), (1815, 700)], 14, "dirt"),
    ("Slant Lane", [(-685, 700), (-685, 1400)], 14, "dirt"),
    ("Midway Lane", [(345, 700), (345, 1400)], 14, "dirt"),
    ("North Spur", [(-335, 1400), (-335, 2090)], 13, "dirt"),
    ("Yard Drive", [(-1995, 120), (-2090, 120)], 16, "gravel"),
]  # fmt: skip
CREEK_LANE: Feet = [(1237, 700), (1237, 1400)]

# ---------------------------------------------------------------- writing, the same bytes each time


def metres(points: Feet) -> list[tuple[float, float]]:
    return [(x * FT, y * FT) for x, y in points]


def area(shell: Feet, *holes: Feet) -> Polygon:
    return Polygon(metres(shell), [metres(hole) for hole in holes])


def line(points: Feet) -> LineString:
    return LineString(metres(points))


def spot(x: float, y: float) -> Point:
    return Point(x * FT, y * FT)


@lru_cache
def transformer(crs: str) -> Transformer:
    return Transformer.from_crs(LOCAL, crs, always_xy=True)


def to_crs(geometry: BaseGeometry, crs: str, digits: int | None = None) -> BaseGeometry:
    """The local geometry in `crs`, rounded, rings as RFC 7946 wants them."""
    change = transformer(crs)
    digits = ROUNDED[crs] if digits is None else digits

    def move(xy):  # type: ignore[no-untyped-def]
        x, y = change.transform(xy[:, 0], xy[:, 1])
        return [[round(a, digits), round(b, digits)] for a, b in zip(x, y, strict=True)]

    moved = shapely.transform(geometry, move)
    return shapely.geometry.polygon.orient(moved) if isinstance(moved, Polygon) else moved


def lonlat(geometry: BaseGeometry, digits: int = 8) -> BaseGeometry:
    return to_crs(geometry, "EPSG:4326", digits)


def save(path: Path, data: str | bytes) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data.encode() if isinstance(data, str) else data)


def geojson(path: Path, features: Iterable[tuple[BaseGeometry, Row]]) -> None:
    """One feature a line, WGS 84 (RFC 7946)."""
    lines = [
        json.dumps({"type": "Feature", "properties": row, "geometry": shapely.geometry.mapping(lonlat(geometry))},
                   ensure_ascii=False)
        for geometry, row in features
    ]  # fmt: skip
    save(path, '{"type": "FeatureCollection", "features": [\n' + ",\n".join(lines) + "\n]}\n")


def csv(path: Path, head: str, lines: Iterable[str]) -> None:
    save(path, "\n".join([head, *lines]) + "\n")


def frame(rows: Sequence[tuple[BaseGeometry, Row]], crs: str) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame([row for _, row in rows], geometry=[to_crs(g, crs) for g, _ in rows], crs=crs)


def shapefile(path: Path, rows: Sequence[tuple[BaseGeometry, Row]], crs: str, encoding: str) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    pyogrio.write_dataframe(
        frame(rows, crs), path, driver="ESRI Shapefile", encoding=encoding, DBF_DATE_LAST_UPDATE=f"{MADE_ON:%Y-%m-%d}"
    )


def geopackage(path: Path, layer: str, rows: Sequence[tuple[BaseGeometry, Row]], crs: str) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    stamp = {"OGR_CURRENT_DATE": f"{MADE_ON:%Y-%m-%dT%H:%M:%S.000Z}"}
    pyogrio.set_gdal_config_options(stamp)
    pyogrio.write_dataframe(
        frame(rows, crs), path, layer=layer, driver="GPKG", append=path.exists(), promote_to_multi=False,
        layer_options={"SPATIAL_INDEX": "NO"},
    )  # fmt: skip
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": None})


def zipped(members: dict[str, bytes]) -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        for name in sorted(members):
            info = zipfile.ZipInfo(name, date_time=MADE_ON.timetuple()[:6])
            info.external_attr = 0o644 << 16
            archive.writestr(info, members[name], zipfile.ZIP_DEFLATED)
    return buffer.getvalue()


def kml(title: str, features: Iterable[tuple[Polygon, Row]]) -> str:
    marks = []
    for geometry, row in features:
        ring = " ".join(f"{x:.8f},{y:.8f},0" for x, y in lonlat(geometry).exterior.coords)
        extra = "".join(
            f'<Data name="{key}"><value>{escape(str(value))}</value></Data>' for key, value in row.items() if key != "name"
        )
        marks.append(
            f"<Placemark><name>{escape(str(row['name']))}</name><ExtendedData>{extra}</ExtendedData>"
            f"<Polygon><outerBoundaryIs><LinearRing><coordinates>{ring}</coordinates></LinearRing></outerBoundaryIs>"
            "</Polygon></Placemark>"
        )
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n<kml xmlns="http://www.opengis.net/kml/2.2"><Document>'
        f"<name>{title}</name>\n" + "\n".join(marks) + "\n</Document></kml>\n"
    )


# ---------------------------------------------------------------- GPS as it really is


def wander(seed: int, sd_m: float, memory: float) -> Iterable[tuple[float, float]]:
    """East and north errors [m] that drift slowly (first-order autoregressive), for ever."""
    dice = random.Random(seed)
    fresh = math.sqrt(1 - memory**2)
    east, north = dice.gauss(0, sd_m), dice.gauss(0, sd_m)
    while True:
        yield east, north
        east = memory * east + fresh * dice.gauss(0, sd_m)
        north = memory * north + fresh * dice.gauss(0, sd_m)


def walk_round(ring: Feet, step_m: float, overlap_m: float) -> list[tuple[float, float]]:
    """Points [m] every `step_m` round a ring, on past its start by `overlap_m`."""
    path = LineString(metres([*ring, ring[0]]))
    count = int((path.length + overlap_m) / step_m) + 1
    return [path.interpolate(k * step_m % path.length).coords[0] for k in range(count)]


def walked_points() -> list[tuple[float, float]]:
    """The Canal block's boundary as the handheld saw it [m]: drift, one stop at a corner, an overlap at the end."""
    true = walk_round(CANAL, 6.5, 24.0)
    stop = min(range(len(true)), key=lambda k: math.dist(true[k], metres([(-350, 2060)])[0]))
    true[stop + 1 : stop + 1] = [true[stop]] * 22
    dice = random.Random(2027)
    errors = wander(17, 2.0, 0.93)
    seen = []
    for k, ((x, y), (east, north)) in enumerate(zip(true, errors, strict=False)):
        still = 1.2 if stop <= k <= stop + 22 else 0.25
        seen.append((x + east + dice.gauss(0, still), y + north + dice.gauss(0, still)))
    return seen


def canal_gpx() -> str:
    """Track of the walked block in two pieces, and the gates marked on the way."""
    points = walked_points()
    half = len(points) // 2

    def piece(first: int, last: int) -> str:
        marks = []
        for k in range(first, last):
            lon, lat = lonlat(Point(points[k])).coords[0]
            when = MADE_ON + timedelta(seconds=5 * k)
            marks.append(
                f'<trkpt lat="{lat:.7f}" lon="{lon:.7f}"><ele>{81 + 0.4 * math.sin(k / 9):.1f}</ele>'
                f"<time>{when:%Y-%m-%dT%H:%M:%SZ}</time></trkpt>"
            )
        return "<trkseg>\n" + "\n".join(marks) + "\n</trkseg>"

    gates = []
    for name, x, y in (("South gate", -2255, 0), ("East gate", 1815, 0), ("Canal gate", canal_x(1400, 35), 1400)):
        lon, lat = lonlat(spot(x, y)).coords[0]
        gates.append(f'<wpt lat="{lat:.7f}" lon="{lon:.7f}"><name>{name}</name><sym>Gate</sym></wpt>')
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        '<gpx version="1.1" creator="handheld" xmlns="http://www.topografix.com/GPX/1/1">\n'
        + "\n".join(gates)
        + f"\n<trk><name>Canal</name>\n{piece(0, half)}\n{piece(half, len(points))}\n</trk>\n</gpx>\n"
    )


def nmea(points: Feet, seed: int) -> str:
    """A drive along `points` as RMC and GGA sentences, one pair every two seconds, no fix at first (NMEA 0183)."""
    path = line(points)
    count = int(path.length / 6) + 1
    errors = wander(seed, 0.8, 0.9)
    out = [_sentence("GPRMC,154158.00,V,,,,,,,021226,,"), _sentence("GPRMC,154200.00,V,,,,,,,021226,,")]
    for k, (east, north) in zip(range(count), errors, strict=False):
        p = path.interpolate(k * path.length / (count - 1))
        lon, lat = lonlat(Point(p.x + east, p.y + north)).coords[0]
        when = f"{datetime(2026, 12, 2, 15, 42, 2) + timedelta(seconds=2 * k):%H%M%S}.00"
        where = f"{_angle(lat, 2)},N,{_angle(-lon, 3)},W"
        out.append(_sentence(f"GPGGA,{when},{where},1,09,0.9,82.1,M,-29.8,M,,"))
        out.append(_sentence(f"GPRMC,{when},A,{where},5.8,000.4,021226,,"))
    return "\r\n".join(out) + "\r\n"


def _angle(degrees: float, width: int) -> str:
    whole = int(degrees)
    return f"{whole:0{width}d}{(degrees - whole) * 60:08.5f}"


def _sentence(body: str) -> str:
    check = 0
    for letter in body:
        check ^= ord(letter)
    return f"${body}*{check:02X}"


# ---------------------------------------------------------------- blocks


def write_blocks(ranch: Path) -> None:
    columns = ("BLOCK_NO", "CROP", "VARIETY", "ROWFT", "TREEFT", "ROWDIR", "HEADFT", "CORNER")
    surveyed = [
        (area(LONG_FORTY), ("Long Forty", "almond", "Nonpareil/Carmel", 24.0, 22.0, 0.0, 10.0, "SW")),
        (area(NORIA, POND_YARD), ("Noria", "almond", "Nonpareil/Sonora", 22.0, 18.0, 0.0, 20.0, "SE")),
    ]
    rows: list[tuple[BaseGeometry, Row]] = [(g, dict(zip(columns, v, strict=True))) for g, v in surveyed]
    work = ranch / "blocks" / "south_tier.shp"
    shapefile(work, rows, "EPSG:2227", "UTF-8")
    parts = {f"survey/{work.stem}{end}": work.with_suffix(end) for end in (".shp", ".shx", ".dbf", ".prj", ".cpg")}
    save(ranch / "blocks" / "south_tier.zip", zipped({name: path.read_bytes() for name, path in parts.items()}))
    for path in parts.values():
        path.unlink()

    slant = {"ID": "Slant", "CROP": "almond", "BEARING": 17.0, "ROWSP_FT": 22.0, "TREESP_FT": 16.0, "HEADLD_FT": 20.0,
             "NOTE": "riego por la mañana"}  # fmt: skip
    shapefile(ranch / "blocks" / "slant.shp", [(area(SLANT), slant)], "EPSG:26910", "CP1252")
    for end in (".prj", ".cpg"):
        (ranch / "blocks" / "slant.shp").with_suffix(end).unlink(missing_ok=True)

    midway: Row = {"name": "Midway", "crop": "almond", "variety": "Nonpareil/Butte", "headland_ft": 20.0}
    geopackage(ranch / "blocks" / "midway.gpkg", "parcels", [(area(MIDWAY), midway)], "EPSG:32610")
    cherry: Row = {"name": "Cherry", "crop": "cherry", "variety": "Rainier", "treesp_ft": 14.0}
    geopackage(ranch / "blocks" / "cherry.gpkg", "parcels", [(area(CHERRY), cherry)], "EPSG:32611")
    geopackage(ranch / "blocks" / "cherry.gpkg", "tree_rows", list(cherry_rows()), "EPSG:32611")

    punta: Row = {"name": "Punta", "crop": "pear", "bearing": 0, "row_spacing_ft": 16, "tree_spacing_ft": 8,
                  "headland_ft": 16, "trellis": "yes"}  # fmt: skip
    save(ranch / "blocks" / "punta.kml", kml("Punta", [(area(PUNTA), punta)]))
    codo: Row = {"block_id": "Codo", "crop": "almond", "variety": "Nonpareil/Sonora", "bearing": 90,
                 "row_spacing_ft": 22, "tree_spacing_ft": 18, "headland_ft": 22, "corner": "NW"}  # fmt: skip
    geojson(ranch / "blocks" / "codo.geojson", [(area(CODO), codo)])
    save(ranch / "blocks" / "canal_walk.gpx", canal_gpx())
    csv(ranch / "blocks" / "midway_trees.csv", "lon,lat,row,tree,weight,variety", midway_trees())


def cherry_rows() -> Iterable[tuple[LineString, Row]]:
    """43 rows 20 ft apart, bowed by 4 ft as the old ditch ran."""
    for k in range(43):
        x = 370 + 20 * k
        bow = [(x + 4 * math.sin(math.pi * t / 8), 740 + 620 * t / 8) for t in range(9)]
        yield line(bow), {"row": k + 1}


def midway_trees() -> Iterable[str]:
    """Trees 22 × 18 ft, N–S, from the SW corner; every fourth row pollinizes; 3 % have died; 0.2 m survey error."""
    dice = random.Random(120)
    for row in range(1, 46):
        pollinizer = row % 4 == 3
        for tree in range(1, 36):
            east, north, dead = dice.gauss(0, 0.2), dice.gauss(0, 0.2), dice.random() < 0.03
            if dead:
                continue
            where = Point((-670 + 16 + 22 * (row - 1)) * FT + east, (720 + 24 + 18 * (tree - 1)) * FT + north)
            lon, lat = lonlat(where).coords[0]
            kind, weight = ("Butte", 0.6) if pollinizer else ("Nonpareil", 1.0)
            yield f"{lon:.7f},{lat:.7f},{row},{tree},{weight},{kind}"


# ---------------------------------------------------------------- everything round them


def write_roads(ranch: Path) -> None:
    geojson(ranch / "roads" / "roads.geojson", [
        (line(points), {"name": name, "width_ft": width, "surface": surface, "modes": "truck,cart,foot",
                        "oneway": "no"})
        for name, points, width, surface in ROADS
    ])  # fmt: skip
    save(ranch / "roads" / "creek_lane.nmea", nmea(CREEK_LANE, 700))
    geojson(ranch / "roads" / "yard.geojson", [(spot(-2090, 120), {"name": "Yard"})])


def write_lanes(ranch: Path) -> None:
    """Where the tower sprayer crosses each block between tanks."""
    lanes: list[tuple[str, Feet, float]] = [
        (f"Long Forty lane {k + 1}", [(x, 25), (x, 675)], 16) for k, x in enumerate((-1500, -828, -156, 516))
    ]
    lanes += [(f"Noria lane {k + 1}", [(x, 25), (x, 675)], 14) for k, x in enumerate((959, 1663))]
    lanes += [("Midway lane", [(-225, 725), (-225, 1375)], 14), ("Codo lane", [(-315, 1574), (1125, 1574)], 14)]
    geojson(ranch / "lanes" / "spray_lanes.geojson", [
        (line(points), {"name": name, "swept_ft": swept}) for name, points, swept in lanes
    ])  # fmt: skip


def write_mud_and_water(ranch: Path) -> None:
    bank: Feet = [(canal_x(y, 8), y) for y in (30, 500, 1000, 1500, 1900)]
    geojson(ranch / "water" / "mud_sources.geojson", [
        (line(bank), {"name": "Canal bank", "texture": "clay loam", "clay": 34, "clean": "yes"}),
        (area([(1000, 1772), (1040, 1757), (1052, 1770), (1010, 1788)]),
         {"name": "Creek bar", "texture": "silty clay loam", "clay": 31, "clean": "yes",
          "wet_from": "2027-01-01", "wet_to": "2027-03-20"}),
        (line([(-335, 1440), (-335, 1520)]),
         {"name": "Wet spur", "texture": "sandy clay loam", "clay": 24, "clean": "yes",
          "wet_from": "2026-11-15", "wet_to": "2027-01-05", "note": "dries before bloom"}),
        (spot(1228, 372), {"name": "Pond shore", "texture": "clay", "clay": 44, "clean": "yes"}),
        (spot(-2150, 300), {"name": "Wash pad sump", "texture": "clay loam", "clay": 30, "clean": "no",
                            "note": "rinse water from the sprayers"}),
    ])  # fmt: skip
    geojson(ranch / "water" / "ditches.geojson", [
        (line([(canal_x(y), y) for y in (-60, 500, 1000, 1500, 2100)]), {"name": "Canal", "kind": "canal"}),
        (line(CREEK), {"name": "Creek", "kind": "creek"}),
    ])  # fmt: skip
    standpipes = [("Yard standpipe", -2110, 90), ("Cross Lane west", -1990, 712), ("Pump house", 1450, 349),
                  ("North Lane", 350, 1412), ("Spur end", -328, 2070)]  # fmt: skip
    lines = []
    for name, x, y in standpipes:
        lon, lat = lonlat(spot(x, y)).coords[0]
        lines.append(f"{name},{lat:.7f},{lon:.7f},2 in hose")
    csv(ranch / "water" / "water_points.csv", "name,lat,lon,note", lines)


def write_keep_outs(ranch: Path) -> None:
    geojson(ranch / "keep_outs" / "keep_outs.geojson", [
        (area(POND), {"name": "Pond", "kind": "pond", "setback_ft": 30}),
        (area(PUMP_HOUSE), {"name": "Pump house", "kind": "pump house"}),
        (spot(-1100, 1700).buffer(4.0, 4), {"name": "Well head", "kind": "well", "setback_ft": 20}),
    ])  # fmt: skip
    power: Feet = [(-1950, 1560), (-1500, 1585), (-1050, 1610), (-600, 1635), (-345, 1649), (120, 1675), (700, 1860)]
    risers = [spot(x, y) for x in (-1500, -1100) for y in (860, 1080, 1300)]
    geojson(ranch / "keep_outs" / "hazards.geojson", [
        (line(power), {"name": "Power line", "kind": "power line", "setback_ft": 12}),
        *((riser, {"name": f"Riser {k + 1}", "kind": "irrigation riser"}) for k, riser in enumerate(risers)),
    ])  # fmt: skip
    geojson(ranch / "keep_outs" / "chemical_store.geojson", [
        (area([(-2072, 380), (-2040, 380), (-2040, 410), (-2072, 410)]), {"name": "Chemical store"})
    ])  # fmt: skip
    pads = [("Pad east of Cherry", 1268, 800, 24), ("Pad at the spur end", -335, 2115, 20), ("Pad by East gate", 1835, 60, 36)]
    lines = [f"{name},{lonlat(spot(x, y)).wkt},{hives}" for name, x, y, hives in pads]
    csv(ranch / "keep_outs" / "hives.csv", "name,WKT,hives", lines)
    geojson(ranch / "keep_outs" / "closures.geojson", [
        (area(PUNTA).buffer(8 * FT, join_style="mitre"),
         {"name": "Punta sprayed", "from": "2027-03-22", "to": "2027-03-24", "note": "re-entry as the label says"}),
        (area([(1060, 1425), (1160, 1425), (1145, 1530), (1060, 1600)]),
         {"name": "Creek flood", "from": "2027-01-10", "to": "2027-02-05", "note": "soft ground"}),
    ])  # fmt: skip


def write_soil_and_forage(ranch: Path) -> None:
    soils: list[tuple[str, Feet, str, int, int, int]] = [
        ("Canal clay loam", [(-2400, -80), (-1300, -80), (-1000, 2450), (-1800, 2450)], "clay loam", 33, 32, 35),
        ("Plain sandy loam", [(-1300, -80), (900, -80), (300, 2450), (-1000, 2450)], "sandy loam", 12, 62, 26),
        ("Creek silty clay loam", [(900, -80), (2150, -80), (2150, 1300), (900, 2450), (300, 2450)],
         "silty clay loam", 34, 10, 56),
    ]  # fmt: skip
    csv(ranch / "soil" / "soil.csv", "name;texture;clay;sand;silt;WKT", [
        f"{name};{texture};{clay};{sand};{silt};{lonlat(area(ring), 6).wkt}"
        for name, ring, texture, clay, sand, silt in soils
    ])  # fmt: skip
    strips: list[tuple[Polygon, Row]] = [
        (area([(-900, -34), (600, -34), (600, -14), (-900, -14)]), {"name": "South mustard", "kind": "mustard"}),
        (area([(190, 2310), (232, 2310), (238, 2150), (222, 2060), (218, 1960), (196, 1960), (208, 2060), (216, 2140)]),
         {"name": "Creek wildflowers", "kind": "native mix"}),
        (area([(1330, 1210), (1390, 1160), (1402, 1172), (1342, 1224)]), {"name": "Punta willows", "kind": "willow"}),
    ]  # fmt: skip
    save(ranch / "soil" / "forage.kmz", zipped({"doc.kml": kml("Forage", strips).encode()}))


def write_edits(ranch: Path) -> None:
    """A walk of the draft: one site to keep, one place to leave alone, one site more."""
    edits = [("pin", -1205, 350, "by the shop window"), ("ban", -610, 1000, "leaning tree"),
             ("add", 800, 1440, "creek bank, many bees last year")]  # fmt: skip
    lines = []
    for kind, x, y, note in edits:
        lon, lat = lonlat(spot(x, y)).coords[0]
        lines.append(f'{kind},,{lon:.7f},{lat:.7f},"{note}"')
    csv(ranch / "edits.csv", "kind,site_id,lon,lat,note", lines)


def make(ranch: Path) -> None:
    """Write every layer below `ranch`; mudcap.toml is kept by hand."""
    for old in ("blocks/midway.gpkg", "blocks/cherry.gpkg"):
        (ranch / old).unlink(missing_ok=True)
    write_blocks(ranch)
    write_roads(ranch)
    write_lanes(ranch)
    write_mud_and_water(ranch)
    write_keep_outs(ranch)
    write_soil_and_forage(ranch)
    write_edits(ranch)


if __name__ == "__main__":
    make(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)
