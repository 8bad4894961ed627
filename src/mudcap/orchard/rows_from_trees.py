"""Rows inferred from trees as points."""

from __future__ import annotations

from mudcap.orchard.model import Block, Finding, Orchard, TreePoints, TreeRows
from mudcap.orchard.params import RowParams


def sort_trees_into_blocks(orchard: Orchard) -> tuple[list[TreePoints | None], tuple[Finding, ...]]:
    """For each block the trees that stand in it, and how many stand in none."""
    return [None for _block in orchard.blocks], ()


def rows_from_trees(
    block: Block, orchard: Orchard, trees: TreePoints | None, params: RowParams
) -> tuple[TreeRows | None, tuple[Finding, ...]]:
    """The rows of a block by its trees; None where it has none."""
    return None, ()
