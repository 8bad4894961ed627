"""`--lang es` and `--lang both` on the command line: files, messages, rounds, labels and comparisons."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from small_ranch import make_ranch

from mudcap.app.cli import main
from mudcap.files.outputs import OUTPUTS, TRANSLATED
from mudcap.lang import choose_language


@pytest.fixture(autouse=True)
def english_again():
    """The choice of language ends with the test."""
    yield
    choose_language("en")


def run(capsys, *arguments: object) -> tuple[int, str, str]:
    """Exit code, stdout, stderr."""
    with pytest.raises(SystemExit) as left:
        main([str(a) for a in arguments])
    told = capsys.readouterr()
    return int(left.value.code or 0), told.out, told.err


def names(folder: Path) -> list[str]:
    """Files of a folder, hidden ones aside."""
    return sorted(p.name for p in folder.iterdir() if not p.name.startswith("."))


def test_both_languages_from_plan_to_round(tmp_path, capsys):
    """Each command writes Spanish beside English; a plan in one language takes the second set away."""
    ranch = make_ranch(tmp_path / "r")
    out = ranch / "out"
    code, told, _err = run(capsys, "plan", ranch, "--quick", "--lang", "both")
    assert code in (0, 4) and names(out) == sorted([*OUTPUTS, *TRANSLATED])
    assert "the same in Spanish" in told and "shelters" in told
    spanish, english = (out / "report.es.md").read_text(encoding="utf-8"), (out / "report.md").read_text(encoding="utf-8")
    assert "No hay ningún camino dibujado" in spanish and "No road is drawn" not in spanish
    assert "No road is drawn" in english and "camino" not in english
    assert not re.findall(r"\b(?:the|and|with|sites|keep|between|spray)\b", spanish.partition("## Números usados")[0])
    assert "calle entre las hileras" in spanish and "No libere ninguno antes de una aplicación" in spanish
    assert "No road is drawn" in (out / "report.json").read_text(encoding="utf-8")
    for name in ("sheet.pdf", "checks.pdf", "contractor.pdf", "picklist.pdf"):
        assert (out / name).read_bytes() != (out / name.replace(".", ".es.")).read_bytes()
    code, told, _err = run(capsys, "round", ranch, "--task", "check", "--lang", "both", "--json")
    assert {"round-check.es.pdf", "round-check.es.gpx"} <= {Path(p).name for p in json.loads(told)["files"]} and code == 0
    code, told, _err = run(capsys, "labels", ranch, "--lang", "both", "--json")
    assert code == 0 and [Path(p).name for p in json.loads(told)["files"]] == ["labels.pdf", "labels.es.pdf"]
    run(capsys, "labels", ranch, "--lang", "es")
    run(capsys, "round", ranch, "--task", "check", "--lang", "es")
    assert not [n for n in names(out) if n in ("labels.es.pdf", "round-check.es.pdf")]


def test_spanish_alone_says_everything_in_spanish(tmp_path, capsys):
    """Messages, report and map; the file names are the usual ones."""
    ranch = make_ranch(tmp_path / "r")
    code, told, _err = run(capsys, "plan", ranch, "--quick", "--lang", "es")
    assert code in (0, 4) and names(ranch / "out") == sorted(OUTPUTS)
    assert "refugios en 1 bloque en" in told and "Lo que sigue" in told and "shelters" not in told
    assert '<html lang="es">' in (ranch / "out" / "map.html").read_text(encoding="utf-8")
    report = (ranch / "out" / "report.json").read_text(encoding="utf-8")
    assert "No hay ningún camino dibujado" in report
    code, _told, err = run(capsys, "plan", tmp_path / "nowhere", "--lang", "es")
    assert code == 3 and "no se encontró" in err


def test_comparisons_in_both(tmp_path, capsys):
    """A page each; the table is for programs."""
    ranch = make_ranch(tmp_path / "r")
    code, told, _err = run(capsys, "compare", ranch, "--quick", "--at", "8", "--lang", "both")
    assert code == 0 and "compare.es.html" in told
    assert {"compare.html", "compare.es.html", "compare.csv"} <= set(names(ranch / "out"))
    assert "Distancia al refugio" in (ranch / "out" / "compare.es.html").read_text(encoding="utf-8")


def test_a_language_nobody_knows_is_refused(tmp_path, capsys):
    """With those that there are."""
    code, _told, err = run(capsys, "look", make_ranch(tmp_path / "r"), "--lang", "fr")
    assert code == 2 and "both" in err and "es" in err
