"""What growers write in words: compass directions, corners, crops, who may use a way, pairs of spacings; English or Spanish."""

from __future__ import annotations

import re
from typing import Final

from mudcap.files.names import plain_letters
from mudcap.orchard.model import MODES

_POINTS: Final = ("n", "nne", "ne", "ene", "e", "ese", "se", "sse", "s", "ssw", "sw", "wsw", "w", "wnw", "nw", "nnw")
"""The compass from north clockwise, 22.5° apart."""
_LETTER: Final = {
    "north": "n", "norte": "n", "east": "e", "este": "e", "south": "s", "sur": "s", "west": "w", "oeste": "w",
    "nor": "n", "sud": "s", "o": "w",
}  # fmt: skip
_DEGREES: Final = re.compile(r"\s*([-+]?\d+(?:[.,]\d+)?)\s*(?:°|deg|degs|degree|degrees|grado|grados)?\.?\s*", re.IGNORECASE)
_QUADRANT: Final = re.compile(r"([ns])\s*(\d+(?:[.,]\d+)?)\s*°?\s*([ewo])", re.IGNORECASE)
_CROPS: Final = {
    "almond": ("almonds", "almendro", "almendros", "almendra", "almendras"),
    "cherry": ("cherries", "cerezo", "cerezos", "cereza", "cerezas"),
    "pear": ("pears", "peral", "perales", "pera", "peras"),
    "apple": ("apples", "manzano", "manzanos", "manzana", "manzanas"),
    "plum": ("plums", "ciruelo", "ciruelos", "ciruela", "ciruelas"),
}
_OURS: Final = {word: crop for crop, words in _CROPS.items() for word in words}
_MODES: Final = {
    **dict.fromkeys(("atv", "utv", "quad", "carts", "carrito", "cuatrimoto"), "cart"),
    **dict.fromkeys(("trucks", "pickup", "tractor", "tractors", "camion", "camioneta"), "truck"),
    **dict.fromkeys(("walk", "walking", "walkers", "pedestrian", "pie"), "foot"),
    **dict.fromkeys(("vehicle", "vehicles", "vehiculo", "vehiculos"), "vehicles"),
    **dict.fromkeys(("all", "any", "everybody", "everything", "todo", "todos"), "all"),
}
_FILLING: Final = frozenset({"and", "or", "only", "on", "y", "o", "a", "solo"})
_PAIR: Final = re.compile(r"\s*([\d.]+)\s*([^\d\sx×]*)\s*(?:x|×|by|por)\s*([\d.]+)\s*([^\d\s]*)\s*", re.IGNORECASE)


def bearing_in(text: str) -> float | None:
    """Degrees of a direction written as a number or by the compass; None where it says none, or two that are not opposite.

    >>> bearing_in("90 deg"), bearing_in("N-S"), bearing_in("southwest to northeast"), bearing_in("N 10° W"), bearing_in("N-E")
    (90.0, 0.0, 225.0, -10.0, None)
    """
    number = _DEGREES.fullmatch(text)
    if number:
        return float(number[1].replace(",", "."))
    quadrant = _QUADRANT.fullmatch(text.strip())
    if quadrant:
        turn = float(quadrant[2].replace(",", "."))
        if turn > 90:
            return None
        east = quadrant[3].lower() == "e"
        return (turn if east else -turn) if quadrant[1].lower() == "n" else (180 - turn if east else 180 + turn)
    places = [_POINTS.index(point) for point in _points(text)]
    if len(places) == 2 and (places[0] - places[1]) % 16 != 8:
        return None
    return 22.5 * places[0] if places else None


def corner_in(text: str) -> str:
    """The corner that a text names, such as 'SW'; the text itself in capitals where it is none.

    >>> corner_in("south-west"), corner_in("S.W. corner"), corner_in("noroeste"), corner_in("middle")
    ('SW', 'SW', 'NW', 'MIDDLE')
    """
    points = _points(re.sub(r"\b(corner|esquina)\b", "", text, flags=re.IGNORECASE).replace(".", ""))
    if len(points) == 2 and "".join(points) in _POINTS:
        points = ["".join(points)]
    return points[0].upper() if len(points) == 1 else text.upper()


def crop_in(text: str) -> str:
    """Our name of a crop that is written in the plural or in Spanish; other crops as they are written, in small letters.

    >>> crop_in("Almonds"), crop_in("PERALES"), crop_in("Walnut")
    ('almond', 'pear', 'walnut')
    """
    return _OURS.get(plain_letters(text), text.strip().lower())


def modes_in(text: str) -> frozenset[str]:
    """Who may use a way: truck, cart and foot for what they are also called, all three for 'all'; other words as they are.

    >>> sorted(modes_in("Truck, ATV")), sorted(modes_in("all")), sorted(modes_in("foot only")), sorted(modes_in("boat"))
    (['cart', 'truck'], ['cart', 'foot', 'truck'], ['foot'], ['boat'])
    """
    words = frozenset(_MODES.get(word, word) for word in plain_letters(text).split()) - _FILLING
    for word, meant in (("all", MODES), ("vehicles", MODES - {"foot"})):
        words = words - {word} | meant if word in words else words
    return words


def pair_in(text: str) -> tuple[str, str] | None:
    """The spacing of rows and that of trees in a row, where both are written as one (rows first: common practice, no source).

    >>> pair_in("22 x 18 ft"), pair_in("22' x 18'"), pair_in("6m×5m"), pair_in("22x18"), pair_in("wide")
    (('22ft', '18ft'), ("22'", "18'"), ('6m', '5m'), ('22', '18'), None)
    """
    found = _PAIR.fullmatch(text)
    if found is None:
        return None
    rows, unit, trees, last = found.groups()
    return rows + (unit or last), trees + (last or unit)


def _points(text: str) -> list[str]:
    """The one or two compass points of which a text consists; none where it holds anything else."""
    words = [w for w in plain_letters(text).split() if w not in ("to", "a", "al")]
    points = [_point(word) for word in words]
    if len(points) == 1 and not points[0]:
        points = [_point(letter) for letter in words[0]] if len(words[0]) == 2 else []
    if len(points) == 4 and all(points):
        points = [points[0] + points[1], points[2] + points[3]]
    return points if len(points) <= 2 and all(point in _POINTS for point in points) else []


def _point(word: str) -> str:
    """A compass point in our letters: 'ne' of 'northeast', 'noreste' or 'NE'; '' where it is none."""
    if word in _POINTS:
        return word
    if word in _LETTER:
        return _LETTER[word]
    for first in ("north", "south", "norte", "nor", "sur", "sud", "n", "s"):
        rest = word[len(first) :]
        if word.startswith(first) and _LETTER.get(rest, rest) in ("e", "w"):
            return _LETTER.get(first, first) + _LETTER.get(rest, rest)
    return ""
