"""Roles of layers by the words of the trade in their names, English and Spanish."""

from __future__ import annotations

from typing import Final

from mudcap.files.names import plain_letters
from mudcap.orchard.model import Role

_WORDS: Final[tuple[tuple[Role, tuple[str, ...]], ...]] = (
    (Role.CHEMICAL_STORE, ("chemical", "chemicals", "pesticide store", "pesticides", "quimicos", "agroquimicos")),
    (Role.SPRAY_LANES, ("spray", "sprayer", "sprays", "lane", "lanes", "aspersion", "fumigacion", "pulverizacion")),
    (Role.MUD_SOURCES, ("mud", "puddle", "puddles", "lodo", "barro")),
    (Role.HIVES, ("hive", "hives", "honey", "honeybee", "honeybees", "apiary", "colmena", "colmenas", "apiario")),
    (Role.HAZARDS, ("hazard", "hazards", "power", "powerline", "powerlines", "riser", "risers", "peligro", "peligros",
                    "electrica", "electrico")),
    (Role.KEEP_OUTS, ("keep", "keepout", "keepouts", "exclusion", "exclusions", "no go", "pond", "ponds", "buildings",
                      "excluido", "exclusiones", "vedado", "prohibido", "estanque")),
    (Role.WATER_POINTS, ("water", "trough", "troughs", "tap", "taps", "agua", "bebedero", "bebederos")),
    (Role.DITCHES, ("ditch", "ditches", "canal", "canals", "drain", "drains", "zanja", "zanjas", "acequia", "acequias",
                    "canales")),
    (Role.SOIL, ("soil", "soils", "suelo", "suelos")),
    (Role.FORAGE, ("forage", "wildflower", "wildflowers", "flower", "flowers", "hedgerow", "hedgerows", "insectary",
                   "flores", "forraje")),
    (Role.CLOSURES, ("closure", "closures", "cierre", "cierres")),
    (Role.GATES, ("gate", "gates", "porton", "portones", "puerta", "puertas")),
    (Role.YARD, ("yard", "shop", "depot", "patio", "taller")),
    (Role.ALLEYS, ("alley", "alleys", "drive row", "drive rows", "driverow", "driverows", "middles", "callejon", "callejones")),
    (Role.TREES, ("tree", "trees", "arbol", "arboles")),
    (Role.ROWS, ("row", "rows", "hilera", "hileras", "fila", "filas", "surco", "surcos")),
    (Role.ROADS, ("road", "roads", "avenue", "avenues", "driveway", "rd", "street", "highway", "hwy", "camino", "caminos", "calle", "calles",
                  "carretera", "ruta", "avenida")),
    (Role.BLOCKS, ("block", "blocks", "blk", "field", "fields", "parcel", "parcels", "orchard", "orchards", "boundary",
                   "boundaries", "bloque", "bloques", "parcela", "parcelas", "huerto", "huertos", "cuartel", "cuarteles",
                   "campo", "campos")),
)  # fmt: skip

_BARRING: Final = frozenset({
    "house", "houses", "home", "farmhouse", "casa", "casas", "hogar", "vivienda", "viviendas", "pond", "ponds", "lake",
    "lagoon", "reservoir", "laguna", "lagunas", "lago", "estanque", "estanques", "represa", "reservorio", "well",
    "wells", "pozo", "pozos", "barn", "barns", "shed", "sheds", "garage", "building", "buildings", "galpon", "galpones",
    "bodega", "bodegas", "granero", "edificio", "edificios",
})  # fmt: skip
"""Things on a farm that keep shelters off, by the names people give them on a map."""
_KNOWN: Final = frozenset(word for _role, spelled in _WORDS for word in spelled)
_FENCES: Final = frozenset({"fence", "fences", "fenceline", "wall", "cerco", "cercos", "cerca", "alambrado", "valla", "vallado", "muro"})
_ROUND: Final = frozenset({"ring", "perimeter", "loop", "outer", "round", "circle", "perimetral", "anillo", "circuito"})
_BESIDE: Final = frozenset({
    "the", "my", "our", "old", "new", "big", "small", "farm", "main", "pump", "el", "la", "los", "las", "mi", "nuestra",
    "nuestro", "vieja", "viejo", "nueva", "nuevo", "grande", "chica", "chico", "bomba",
})  # fmt: skip
"""Words that may stand beside them."""


def role_by_name(name: str) -> Role | None:
    """The role that a layer's or file's name says, None where it says none.

    >>> role_by_name("Farm_Roads_2026"), role_by_name("cuarteles"), role_by_name("County lane"), role_by_name("export (3)")
    (<Role.ROADS: 'roads'>, <Role.BLOCKS: 'blocks'>, <Role.ROADS: 'roads'>, None)
    """
    text = plain_letters(name)
    spelled = text.replace(" ", "_")
    for role in Role:
        if spelled == role.value or spelled == role.value.rstrip("s"):
            return role
    if is_named_lane(name):
        return Role.ROADS
    padded = f" {text} "
    for role, words in _WORDS:
        if any(f" {w} " in padded for w in words):
            return role
    return None


def is_named_lane(name: str) -> bool:
    """Whether a name is that of one lane among roads: a lane with a word of its own that is no other role's.

    >>> is_named_lane("County lane"), is_named_lane("Lane 3"), is_named_lane("Spray lane"), is_named_lane("lanes")
    (True, False, False, False)
    """
    words = plain_letters(name).split()
    others = {w for w in words if w != "lane" and not w.isdigit()}
    return "lane" in words and bool(others) and not others & _KNOWN


def is_fence(name: str) -> bool:
    """Whether a line's name is that of a fence or wall.

    >>> is_fence("North fence"), is_fence("Cerco"), is_fence("Fence road"), is_fence("Block 7")
    (True, True, False, False)
    """
    words = set(plain_letters(name).split())
    return bool(words & _FENCES) and not words & _KNOWN


def goes_round(name: str) -> bool:
    """Whether a closed line of this name is a road or ditch round something, and no outline.

    >>> goes_round("Perimeter road"), goes_round("Camino perimetral"), goes_round("Creek Road"), goes_round("Ring 3")
    (True, True, False, False)
    """
    return bool(set(plain_letters(name).split()) & _ROUND) and role_by_name(name) in (Role.ROADS, Role.DITCHES)


def bars_by_name(name: str) -> bool:
    """Whether a name is that of a thing that keeps shelters off, and of nothing else: so a block may be called Casa Norte.

    >>> bars_by_name("My house"), bars_by_name("Galpón 2"), bars_by_name("Casa Norte"), bars_by_name("7")
    (True, True, False, False)
    """
    words = {w for w in plain_letters(name).split() if not w.isdigit()} - _BESIDE
    return bool(words) and words <= _BARRING
