"""What a run leaves in its folder: all of it or nothing, the same bytes for the same plan."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from mudcap.errors import StoreError
from mudcap.files.atomic import Lock, locked, staged
from mudcap.files.geopackage import write_geopackage
from mudcap.files.kml_out import sites_kmz
from mudcap.files.outputs import IN_EACH_LANGUAGE, OUTPUTS, PLAN_FILE, RENDERED, TRANSLATED, named
from mudcap.files.picklist_json import picklist_json
from mudcap.files.report_json import report_json
from mudcap.files.report_text import report_md
from mudcap.files.sites_geojson import sites_geojson
from mudcap.files.spreadsheet import picklist_csv, picklist_xlsx
from mudcap.files.store import read_earlier
from mudcap.files.waypoints import sites_gpx, waypoints_zip
from mudcap.lang import _, languages, speaking
from mudcap.plan.model import Plan
from mudcap.plan.spoken import plan_in


def write_plan(
    plan: Plan,
    directory: Path,
    rendered: Mapping[str, str | bytes],
    *,
    lang: str = "en",
    lock: Lock | None = None,
    tables: Mapping[str, str | bytes] | None = None,
) -> tuple[Path, ...]:
    """Write the plan's files into `directory`, all or none, and return their paths in the order of `OUTPUTS`.

    With `lang` ``both`` the files of `IN_EACH_LANGUAGE` follow in every other language. Older outputs are replaced whole, those that this plan does not have are removed. `lock` is the one already held on
    the folder, if any; `tables` what ``plan_tables`` gave, where it was called before. Raises ``StoreError``; then the folder is as
    it was.
    """
    unknown = sorted(set(rendered) - {*RENDERED, *TRANSLATED})
    if unknown:
        raise ValueError(f"{unknown[0]}: no name of an output.")
    if lock is None:
        with locked(directory) as own:
            return write_plan(plan, directory, rendered, lang=lang, lock=own, tables=tables)
    content = {**rendered, **(plan_tables(plan, lang) if tables is None else tables)}
    names = (*OUTPUTS, *TRANSLATED)
    with staged(lock, names) as stage:
        for name, text in content.items():
            (stage / name).write_bytes(text.encode() if isinstance(text, str) else text)
        write_geopackage(plan, stage / PLAN_FILE)
        _read_back(plan, stage / PLAN_FILE)
    return tuple(lock.directory / name for name in names if name in content or name == PLAN_FILE)


def plan_tables(plan: Plan, lang: str = "en") -> dict[str, str | bytes]:
    """The files that need no picture and no database, by name, with `lang` ``both`` in each language."""
    first, *others = languages(lang)
    with speaking(first):
        content = plan_files(plan_in(plan, first), first)
    for other in others:
        with speaking(other):
            made = plan_files(plan_in(plan, other), other)
        content |= {named(name, other): made[name] for name in IN_EACH_LANGUAGE if name in made}
    return content


def plan_files(plan: Plan, lang: str = "en") -> dict[str, str | bytes]:
    """The files that need no picture and no database, by name, in one language."""
    return {
        "picklist.csv": picklist_csv(plan, lang),
        "picklist.xlsx": picklist_xlsx(plan, lang),
        "picklist.json": picklist_json(plan, lang),
        "sites.gpx": sites_gpx(plan, lang),
        "waypoints.zip": waypoints_zip(plan, lang),
        "sites.kmz": sites_kmz(plan, lang),
        "sites.geojson": sites_geojson(plan),
        "report.md": report_md(plan, lang),
        "report.json": report_json(plan),
    }


def _read_back(plan: Plan, path: Path) -> None:
    """GDAL reports some failed writes nowhere; what the next run needs is therefore read again before it counts."""
    earlier = read_earlier(path)
    same = [s.site_id for s in earlier.sites] == [s.site_id for s in plan.sites]
    if not same or earlier.last_serial != dict(plan.last_serial):
        raise StoreError(
            _("{file}: could not be written whole. Is the disk full? Make room and run again.").format(
                file=path.name
            )
        )
