"""Bin-packing instances with known optima.

The uniform ones are the first three of class u120 in OR-Library's file binpack1 (J. E. Beasley, OR-Library, J. Oper. Res.
Soc. 41:1069–1072, 1990): 120 items of 20 to 100 in loads of 150. They were made by E. Falkenauer (1996, A hybrid grouping
genetic algorithm for bin packing, J. Heuristics 2:5–30), and the file gives 48, 49 and 46 loads.
"""

from __future__ import annotations

import random

U120 = {
    48: """42 69 67 57 93 90 38 36 45 42 33 79 27 57 44 84 86 92 46 38 85 33 82 73 49 70 59 23 57 72 74 69 33 42 28 46 30 64
    29 74 41 49 55 98 80 32 25 38 82 30 35 39 57 84 62 50 55 27 30 36 20 78 47 26 45 41 58 98 91 96 73 84 37 93 91 43 73 85
    81 79 71 80 76 83 41 78 70 23 42 87 43 84 60 55 49 78 73 62 36 44 94 69 32 96 70 84 58 78 25 80 58 66 83 24 98 60 42 43
    43 39""",
    49: """97 57 81 62 75 81 23 43 50 38 60 58 70 88 36 90 37 45 45 39 44 53 70 24 82 81 47 97 35 65 74 68 49 55 52 94 95 29
    99 20 22 25 49 46 98 59 98 60 23 72 33 98 80 95 78 57 67 53 47 53 36 38 92 30 80 32 97 39 80 72 55 41 60 67 53 65 95 20
    66 78 98 47 100 85 53 53 67 27 22 61 43 52 76 64 61 29 30 46 79 66 27 79 98 90 22 75 57 67 36 70 99 48 43 45 71 100 88
    48 27 39""",
    46: """38 100 60 42 20 69 24 23 92 32 84 36 65 84 34 68 64 33 69 27 47 21 85 88 59 61 50 53 37 75 64 84 74 57 83 28 31 97
    61 36 46 37 96 80 53 51 68 90 64 81 66 67 80 37 92 67 64 31 94 45 80 28 76 29 64 38 48 40 29 44 81 35 51 48 67 24 46 38
    76 22 30 67 45 41 29 41 79 21 25 90 62 34 73 50 79 66 59 42 90 79 70 66 80 35 62 98 97 37 32 75 91 91 48 26 23 32 100
    46 29 26""",
}


def uniform(optimum: int) -> list[tuple[int]]:
    """Items of the u120 instance with this optimum; each fits a load of 150."""
    return [(int(word),) for word in U120[optimum].split()]


def triplets(count: int, seed: int) -> list[tuple[int]]:
    """Items for loads of 1000 that fill `count` loads to the brim, three a load, as Falkenauer (1996) describes them.

    The first of three lies in 380 … 490, the second between 250 and half the rest, the third takes what remains.
    """
    draw = random.Random(seed)
    items = []
    for _load in range(count):
        first = draw.randint(380, 490)
        second = draw.randint(250, (1000 - first) // 2)
        items += [(first,), (second,), (1000 - first - second,)]
    draw.shuffle(items)
    return items
