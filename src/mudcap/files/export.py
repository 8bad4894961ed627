"""What a run leaves in its folder: all of it or nothing, the same bytes for the same plan."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
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


class Stage:
    """A plan's files while they are written: nothing is seen of them before all are there."""

    def __init__(self, plan: Plan, directory: Path) -> None:
        self._plan, self._directory = plan, directory
        self._names: set[str] = set()

    def write(self, content: Mapping[str, str | bytes]) -> None:
        """Write files by name. Raises ``ValueError`` where a name is none of an output."""
        unknown = sorted(set(content) - {*OUTPUTS, *TRANSLATED})
        if unknown:
            raise ValueError(f"{unknown[0]}: no name of an output.")
        for name, text in content.items():
            (self._directory / name).write_bytes(text.encode() if isinstance(text, str) else text)
        self._names |= set(content)

    def write_database(self) -> None:
        """Write the GeoPackage, and read it back. Raises ``StoreError``."""
        write_geopackage(self._plan, self._directory / PLAN_FILE)
        _read_back(self._plan, self._directory / PLAN_FILE)
        self._names.add(PLAN_FILE)

    def paths(self, directory: Path) -> tuple[Path, ...]:
        """What was written, in the order of `OUTPUTS`, as it lies in `directory` in the end."""
        return tuple(directory / name for name in (*OUTPUTS, *TRANSLATED) if name in self._names)


@contextmanager
def plan_stage(plan: Plan, lock: Lock) -> Iterator[Stage]:
    """Write the plan's files into the locked folder, all or none: they are seen when this ends well.

    Older outputs are replaced whole, those that this plan does not have are removed. Raises ``StoreError``; then, and after any
    other error, the folder is as it was.
    """
    with staged(lock, (*OUTPUTS, *TRANSLATED)) as directory:
        yield Stage(plan, directory)


def write_plan(
    plan: Plan, directory: Path, rendered: Mapping[str, str | bytes], *, lang: str = "en"
) -> tuple[Path, ...]:
    """Write the plan's files into `directory`, all or none, and return their paths in the order of `OUTPUTS`.

    `rendered` are the pictures and papers by name. With `lang` ``both`` the files of `IN_EACH_LANGUAGE` follow in every other
    language. Raises ``StoreError``; then the folder is as it was.
    """
    unknown = sorted(set(rendered) - {*RENDERED, *TRANSLATED})
    if unknown:
        raise ValueError(f"{unknown[0]}: no name of an output.")
    spoken = languages(lang)
    with locked(directory) as lock, plan_stage(plan, lock) as stage:
        stage.write(rendered)
        stage.write(plan_tables({language: files_in(plan_in(plan, language), language) for language in spoken}))
        stage.write_database()
    return stage.paths(directory)


def files_in(plan: Plan, language: str) -> dict[str, str | bytes]:
    """The files that need no picture and no database, by name, of a plan that speaks this language."""
    with speaking(language):
        return plan_files(plan, language)


def plan_tables(made: Mapping[str, Mapping[str, str | bytes]]) -> dict[str, str | bytes]:
    """Of the files made in each language, the main one first, those that are written, by their names in the folder."""
    (_first, main), *others = made.items()
    content = dict(main)
    for other, files in others:
        content |= {named(name, other): files[name] for name in IN_EACH_LANGUAGE if name in files}
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
    if not same or earlier.last_serial != dict(plan.last_serial) or earlier.left != dict(plan.left):
        raise StoreError(
            _("{file}: could not be written whole. Is the disk full? Make room and run again.").format(
                file=path.name
            )
        )
