"""The trade-offs as a table for spreadsheets."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import fields

from mudcap.files.spreadsheet import guarded
from mudcap.plan.compare import TradeOff


def trade_off_csv(rows: Sequence[TradeOff]) -> str:
    """One line a choice, the fields' names as heads, numbers as numbers, text that no spreadsheet runs as a formula."""
    names = [f.name for f in fields(TradeOff)]
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(names)
    for row in rows:
        values = [getattr(row, name) for name in names]
        writer.writerow(
            [guarded(v) if isinstance(v, str) else f"{v:.6g}" if isinstance(v, float) else v for v in values]
        )
    return out.getvalue()
