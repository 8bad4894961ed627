"""Lists, waypoints and reports in Spanish, and both languages side by side in one folder."""

from __future__ import annotations

import dataclasses
import io
import zipfile
from pathlib import Path

import openpyxl
import pytest

from mudcap.files.export import plan_files, write_plan
from mudcap.files.names import plain_letters
from mudcap.files.outputs import IN_EACH_LANGUAGE, OUTPUTS, RENDERED, TRANSLATED, named, round_outputs
from mudcap.files.picked import read_picked
from mudcap.files.spreadsheet import COLUMNS, heads
from mudcap.lang import BOTH, LANGUAGES, Said, translator
from mudcap.plan.model import Plan
from mudcap.plan.picking import picks
from mudcap.plan.returned import returned
from mudcap.plan.spoken import plan_in
from small_plan import relaxed, two_block_plan
from supplied import with_supply

PLAN = with_supply(two_block_plan())
DRAWN = dict.fromkeys(RENDERED, b"drawn")


def text_of(content: str | bytes) -> str:
    """A file as text."""
    return content if isinstance(content, str) else content.decode()


def test_lists_for_programs_keep_their_columns():
    """CSV columns are the same in both languages; its notes are the crew's."""
    english, spanish = (text_of(plan_files(PLAN, lang)["picklist.csv"]) for lang in LANGUAGES)
    assert english.splitlines()[0] == spanish.splitlines()[0] and "site_id" in spanish.splitlines()[0]


def test_heads_of_a_workbook_are_spanish_and_no_two_are_the_same():
    """Nor is any the English name of another column, so that a list of either language reads back."""
    english, spanish = ({h.key: plain_letters(h.text) for h in heads(lang)} for lang in LANGUAGES)
    assert len(set(spanish.values())) == len(spanish) and set(english) == set(spanish)
    known = english | {plain_letters(c): c for c in COLUMNS}
    for key, text in spanish.items():
        assert {k for k, t in english.items() if t == text} <= {key}, key
        assert known.get(text, key) in (key, english[key]), key
    sheet = openpyxl.load_workbook(io.BytesIO(bytes(plan_files(PLAN, "es")["picklist.xlsx"]))).worksheets[0]  # type: ignore[arg-type]
    assert sheet.title == "Lista de carga"
    words = {str(c.value) for row in sheet.iter_rows(max_row=5) for c in row if c.value is not None}
    assert {"Bloque", "Hilera, árbol", "Cavidades", "Colgado"} <= words


@pytest.mark.parametrize("name", ["picklist.xlsx", "picklist.csv"])
def test_a_spanish_list_filled_in_comes_back(name, tmp_path):
    """Every site hung and stocked, as `mudcap picked` reads it: nothing differs from the plan."""
    file = tmp_path / name
    content = plan_files(PLAN, "es")[name]
    if name.endswith("csv"):
        lines = text_of(content).splitlines()
        head = lines[0].lstrip("\ufeff").split(",")
        ticks = {head.index("hung"), head.index("stocked")}
        rows = [line.split(",") for line in lines[1:]]
        file.write_text("\n".join([lines[0], *(",".join("sí" if k in ticks else c for k, c in enumerate(r)) for r in rows)]), encoding="utf-8")
    else:
        book = openpyxl.load_workbook(io.BytesIO(bytes(content)))  # type: ignore[arg-type]
        for row in book.worksheets[0].iter_rows():
            for cell in row:
                if cell.value == "☐":
                    cell.value = "☑"
        book.save(file)
    found = returned(picks(PLAN), PLAN.number, read_picked(file))
    assert (found.sites, found.hung, found.stocked) == (len(PLAN.sites),) * 3
    assert found.differences == ()


def test_both_languages_stand_side_by_side_with_fixed_names(tmp_path):
    """English under the usual names, Spanish beside it; a later run in one language takes the second set away."""
    drawn = DRAWN | {named(name, "es"): b"dibujado" for name in RENDERED if name in IN_EACH_LANGUAGE}
    paths = write_plan(PLAN, tmp_path, drawn, lang=BOTH)
    assert [p.name for p in paths] == [*OUTPUTS, *TRANSLATED] == [p.name for p in paths if p.is_file()]
    assert "sheet.es.pdf" in TRANSLATED and "map.es.html" not in TRANSLATED and not set(TRANSLATED) & set(OUTPUTS)
    for name in IN_EACH_LANGUAGE:
        alone = {lang: plan_files(PLAN, lang).get(name) for lang in LANGUAGES}
        if alone["en"] is None:
            continue
        for lang in LANGUAGES:
            own = alone[lang]
            assert (tmp_path / named(name, lang)).read_bytes() == (own.encode() if isinstance(own, str) else own)
        assert alone["en"] != alone["es"]
    write_plan(PLAN, tmp_path, DRAWN, lang="es")
    assert sorted(p.name for p in tmp_path.iterdir() if not p.name.startswith(".")) == sorted(OUTPUTS)


def test_a_report_is_all_in_one_language():
    """Findings and reasons too, where they were made to be told in both."""
    _ = translator("es")
    english = "Only {sites} of {quota} sites fit."
    reason = Said(english, {"es": _(english)}).format(sites=3, quota=5)
    plan = relaxed(PLAN)
    plan = dataclasses.replace(plan, blocks=tuple(dataclasses.replace(b, reason=reason) for b in plan.blocks))
    report = text_of(plan_files(plan_in(plan, "es"), "es")["report.md"])
    assert "Solo caben 3 de 5 sitios." in report and "Only 3" not in report and "Proven" not in report
    assert "Only 3 of 5 sites fit." in text_of(plan_files(plan_in(plan, "en"), "en")["report.md"])
    assert type(plan_in(plan, "en").blocks[0].reason) is str


def test_waypoints_and_globes_are_spanish():
    """Names stay as they are, descriptions are said in Spanish."""
    made = plan_files(PLAN, "es")
    gpx = text_of(made["sites.gpx"])
    assert "Hilera" in gpx or "hembras" in gpx
    assert f"<name>{PLAN.sites[0].site_id}" in gpx and "females" not in gpx
    with zipfile.ZipFile(io.BytesIO(bytes(made["sites.kmz"]))) as archive:  # type: ignore[arg-type]
        assert "cavidades" in archive.read("doc.kml").decode()


def test_names_of_a_round():
    """Sheets and routes once more in Spanish; map and JSON serve both."""
    assert round_outputs("check") == round_outputs("check", "es") == tuple(f"round-check.{e}" for e in ("pdf", "html", "gpx", "json"))
    assert round_outputs("check", BOTH)[4:] == ("round-check.es.pdf", "round-check.es.gpx")
    assert round_outputs("hang", BOTH)[8:] == ("round-hang.es.pdf", "round-hang.es.gpx", "picklist-hang.es.pdf", "picklist-hang.es.xlsx")
    assert named("picklist.xlsx", "es") == "picklist.es.xlsx" and named("picklist.xlsx", "en") == "picklist.xlsx"


def test_an_unknown_rendered_name_is_still_refused(tmp_path: Path):
    """No name of a file comes from anywhere but the list."""
    with pytest.raises(ValueError, match=r"map\.es\.html"):
        write_plan(PLAN, tmp_path, DRAWN | {"map.es.html": b""}, lang=BOTH)
    assert isinstance(PLAN, Plan)
