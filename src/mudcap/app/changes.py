"""What a plan would change against the one that is there, for `mudcap plan --dry-run`."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from mudcap.lang import _, _n

if TYPE_CHECKING:
    from mudcap.plan.model import Earlier, Plan


def plan_changes(plan: Plan, earlier: Earlier) -> dict[str, Any]:
    """Which sites stay, come, go and move against the plan that is there."""
    before = {s.site_id: s for s in earlier.sites}
    after = {s.site_id: s for s in plan.sites}
    kept = [i for i in after if i in before]
    moved = [i for i in kept if _apart(before[i], after[i])]
    return {
        "plan": plan.number, "acres": round(sum(b.acres for b in plan.blocks), 5), "sites_before": len(before),
        "sites_after": len(after), "kept": len(kept) - len(moved), "moved": moved,
        "added": [i for i in after if i not in before], "removed": [i for i in before if i not in after],
        "blocks": [{"id": b.block_id, "status": b.status, "acres": round(b.acres, 5), "sites": b.sites} for b in plan.blocks],
    }  # fmt: skip


def changes_text(changes: dict[str, Any]) -> list[str]:
    """The changes in words, a line each."""
    lines = [
        _("Nothing written. {after} sites; there are {before} now: {kept} stay, {moved} move, {added} come, {removed} go.")
        .format(after=changes["sites_after"], before=changes["sites_before"], kept=changes["kept"],
                moved=len(changes["moved"]), added=len(changes["added"]), removed=len(changes["removed"]))
    ]  # fmt: skip
    lines += [
        f"  {b['id']}: " + _n("{n:,} site", "{n:,} sites", b["sites"]).format(n=b["sites"]) + f", {b['acres']:.2f} " + _("acres")
        for b in changes["blocks"]
    ]
    for sign, key in (("~", "moved"), ("+", "added"), ("-", "removed")):
        if changes[key]:
            lines.append(f"{sign} " + " ".join(changes[key]))
    return lines


def _apart(before: Any, after: Any) -> bool:
    """More than about 10 cm apart."""
    return bool(abs(before.lon - after.lon) > 1e-6 or abs(before.lat - after.lat) > 1e-6)
