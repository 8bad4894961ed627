"""Sheets of labels by their dimensions: where on the page each label lies."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from mudcap.draw.sheet_layout import PAGES_MM
from mudcap.lang import _

MM_PER_IN: Final = 25.4
LEAST_MM: Final = 10.0
"""Smallest side of a label."""
_ROOM_MM: Final = 0.02
"""Dimensions told in hundredths of an inch or tenths of a millimetre may add up to a little more than the page."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stock:
    """A sheet of equal labels in rows and columns [mm]."""

    page: str
    columns: int
    rows: int
    width_mm: float
    height_mm: float
    left_mm: float
    """Margin left of the first column."""
    top_mm: float
    """Margin above the first row."""
    gap_x_mm: float = 0.0
    """Between two columns."""
    gap_y_mm: float = 0.0
    """Between two rows."""

    def __post_init__(self) -> None:
        if self.page not in PAGES_MM:
            raise ValueError(f"page: {self.page!r} is none of {', '.join(PAGES_MM)}.")
        if self.columns < 1 or self.rows < 1:
            raise ValueError(_("a sheet of labels needs at least one column and one row."))
        if min(self.width_mm, self.height_mm) < LEAST_MM:
            text = _("a label of {width:g} × {height:g} mm is too small; {least:g} mm is the least.")
            raise ValueError(text.format(width=self.width_mm, height=self.height_mm, least=LEAST_MM))
        if min(self.left_mm, self.top_mm, self.gap_x_mm, self.gap_y_mm) < 0:
            raise ValueError(_("margins and gaps of a sheet of labels cannot be negative."))
        for axis, words in enumerate((
            _("the columns of labels take {used:.1f} mm, but the page is {room:.1f} mm wide."),
            _("the rows of labels take {used:.1f} mm, but the page is {room:.1f} mm high."),
        )):  # fmt: skip
            if self._used(axis) > PAGES_MM[self.page][axis] + _ROOM_MM:
                raise ValueError(words.format(used=self._used(axis), room=PAGES_MM[self.page][axis]))

    def _used(self, axis: int) -> float:
        count, size, gap, margin = (
            (self.columns, self.width_mm, self.gap_x_mm, self.left_mm),
            (self.rows, self.height_mm, self.gap_y_mm, self.top_mm),
        )[axis]
        return margin + count * size + (count - 1) * gap

    @property
    def count(self) -> int:
        """Labels on a sheet."""
        return self.columns * self.rows

    @property
    def text(self) -> str:
        """Dimensions in words, such as '63.5 × 38.1 mm, 3 × 7, a4'; in inches too on American paper."""
        inches = f" ({self.width_mm / MM_PER_IN:.4g} × {self.height_mm / MM_PER_IN:.4g} in)" if self.page in ("letter", "tabloid") else ""
        return f"{self.width_mm:.4g} × {self.height_mm:.4g} mm{inches}, {self.columns} × {self.rows}, {self.page}"

    def boxes(self) -> tuple[tuple[float, float, float, float], ...]:
        """(left, bottom, width, height) of each label from the page's lower left corner, along the rows from the top."""
        top = PAGES_MM[self.page][1] - self.top_mm
        return tuple(
            (self.left_mm + c * (self.width_mm + self.gap_x_mm), top - (r + 1) * self.height_mm - r * self.gap_y_mm, self.width_mm, self.height_mm)
            for r in range(self.rows)
            for c in range(self.columns)
        )


def centred(
    *, page: str, columns: int, rows: int, width_mm: float, height_mm: float, gap_x_mm: float = 0.0, gap_y_mm: float = 0.0
) -> Stock:
    """Stock whose labels lie in the middle of the page. Raises ``ValueError`` where they do not fit."""
    if page not in PAGES_MM:
        raise ValueError(f"page: {page!r} is none of {', '.join(PAGES_MM)}.")
    wide, high = PAGES_MM[page]
    left = (wide - columns * width_mm - (columns - 1) * gap_x_mm) / 2
    top = (high - rows * height_mm - (rows - 1) * gap_y_mm) / 2
    if left < -_ROOM_MM or top < -_ROOM_MM:
        text = _("{columns} × {rows} labels of {width:.4g} × {height:.4g} mm do not fit on a page of {wide:g} × {high:g} mm.")
        raise ValueError(
            text.format(columns=columns, rows=rows, width=width_mm, height=height_mm, wide=wide, high=high)
        )
    return Stock(
        page=page, columns=columns, rows=rows, width_mm=width_mm, height_mm=height_mm, left_mm=max(left, 0.0),
        top_mm=max(top, 0.0), gap_x_mm=gap_x_mm, gap_y_mm=gap_y_mm,
    )  # fmt: skip


def _inches(columns: int, rows: int, width: float, height: float, gap_x: float = 0.0) -> Stock:
    return centred(
        page="letter", columns=columns, rows=rows, width_mm=width * MM_PER_IN, height_mm=height * MM_PER_IN, gap_x_mm=gap_x * MM_PER_IN
    )


STOCKS: Final[dict[str, Stock]] = {
    "letter-2x3": _inches(2, 3, 4, 3 + 1 / 3, 3 / 16),
    "letter-2x5": _inches(2, 5, 4, 2, 3 / 16),
    "letter-2x7": _inches(2, 7, 4, 1 + 1 / 3, 3 / 16),
    "letter-3x10": _inches(3, 10, 2 + 5 / 8, 1, 1 / 8),
    "letter-4x20": _inches(4, 20, 1 + 3 / 4, 1 / 2, 5 / 16),
    "a4-2x4": centred(page="a4", columns=2, rows=4, width_mm=99.1, height_mm=67.7, gap_x_mm=2.5),
    "a4-2x7": centred(page="a4", columns=2, rows=7, width_mm=99.1, height_mm=38.1, gap_x_mm=2.5),
    "a4-3x7": centred(page="a4", columns=3, rows=7, width_mm=63.5, height_mm=38.1, gap_x_mm=2.5),
    "a4-3x8": centred(page="a4", columns=3, rows=8, width_mm=63.5, height_mm=33.9, gap_x_mm=2.5),
    "a4-5x13": centred(page="a4", columns=5, rows=13, width_mm=38.1, height_mm=21.2, gap_x_mm=2.5),
}
"""Common sheets by page, columns and rows: dimensions are common practice, no source; margins follow from centring. A sheet
that differs is told by its own dimensions."""
