"""Every text for people is said in every language, with the same fields, and both catalogues are what the source asks for."""

from __future__ import annotations

import gettext
import pickle
import re
from pathlib import Path

import pytest

import catalogue
from mudcap.lang import (
    BOTH,
    LANGUAGES,
    NAMES,
    Said,
    _,
    _n,
    choose_language,
    in_language,
    joined,
    languages,
    speaking,
    translator,
)

OTHERS = [language for language in LANGUAGES if language != "en"]
SAME = frozenset({
    "CV", "Acres", "Plan", "Plan {number}", "m", "N", "p.", "error", "Total", "acres", "GPX", "KML", "JSON", "{block}: {status}", "{point}, {bearing}",
    "{way}, {landmark}", "{road}, {side}", "{block}: {text}", "{file}, plan {number}", "Block {block}, {address}", "true o false",
    "{text} ({change:+.3f} acres)", "No", "{file}: {why}.", "canal",
})  # fmt: skip
"""Texts that may be the same in Spanish: names of formats, letters, fields and words that both languages have."""
GLOSSARY = {
    "shelter": "refugio", "puddle": "charco", "cocoon": "capullo", "headland": "cabecera", "re-entry": "reentrada", "gate": "port[oó]n",
    "spray lane": "calles? de aplicaci[oó]n", "cavity": "cavidad", "cavities": "cavidad|tapadas", "keep-out": "prohibid", "stings": "piquetes",
    "licensed": "licencia", "yard": "patio", "mud": "lodo|barro|mudcap|mojar", "hives": "colmenas", "crew": "cuadrilla",
}  # fmt: skip
"""Words whose translation is kept throughout, as regular expressions."""


@pytest.fixture(scope="module")
def said() -> dict[str, dict[str, str]]:
    """Translations by language and text."""
    return {language: catalogue.read_po(catalogue.files(language)[0]) for language in OTHERS}


@pytest.mark.parametrize("language", OTHERS)
def test_every_text_of_the_source_is_translated_and_nothing_else_is_kept(language, said):
    """Gathered by syntax tree, from the crew's sheets to the last finding; `python tests/catalogue.py` renews the files."""
    wanted = set(catalogue.texts())
    assert len(wanted) > 1200
    assert sorted(wanted - set(said[language])) == []
    assert sorted(set(said[language]) - wanted) == []
    assert [text for text, other in said[language].items() if not other.strip()] == []


def test_no_text_is_hidden_from_the_catalogue():
    """`_` is given plain strings only, never an f-string or a name."""
    odd = [line for line in catalogue.unreadable() if not line.startswith("lang.py")]
    assert odd == []


def test_the_gathering_finds_a_gap():
    """Plain strings under each name a module gives the translator; anything else is told as unreadable."""
    source = 'a = _("one {x}")\nself._("two")\nword("three")\ntranslator(lang)("four")\nother("five")\n_(f"six {x}")\n'
    found = list(catalogue.calls(source))
    assert [t for name, t in found if name in catalogue.FUNCTIONS and t] == ["one {x}", "two", "three", "four"]
    assert ("_", None) in found


def test_both_texts_of_a_number_are_gathered():
    """The one for 1 and the one for all else; one that is no plain string is told as unreadable."""
    source = '_n("{count} tree", "{count} trees", n)\ncounted(word, "one", "many", 2)\n_n("one", f"{x}", n)\n_n("one")\n'
    found = list(catalogue.calls(source))
    assert [t for name, t in found if name in catalogue.PLURALS and t] == ["{count} tree", "{count} trees", "one", "many", "one", "one"]
    assert found.count(("_n", None)) == 2


def test_one_and_many():
    """By the number, in one language or in both."""
    assert [_n("Not hung", "Hung", n) for n in (0, 1, 1.0, 2)] == ["Hung", "Not hung", "Not hung", "Hung"]
    with speaking("both"):
        assert in_language(_n("Not hung", "Hung", 1), "es") == translator("es")("Not hung") != "Not hung"


@pytest.mark.parametrize("language", OTHERS)
def test_fields_are_the_same(language, said):
    """Names, formats and conversions, as often as in English."""
    assert [text for text, other in said[language].items() if catalogue.fields(text) != catalogue.fields(other)] == []


def test_fields_of_a_text():
    """What is compared: '{n:,}' is not '{n}'."""
    assert catalogue.fields("{n:,} of {all}") != catalogue.fields("{n} of {all}")
    assert catalogue.fields("{all}: {n:,}") == catalogue.fields("{n:,} of {all}")


@pytest.mark.parametrize("language", OTHERS)
def test_ends_and_spaces_are_the_same(language, said):
    """A sentence stays a sentence, a heading a heading; spaces at either end, where texts are put together, stay."""
    ends = [
        text for text, other in said[language].items()
        if (text[-1] in ".:?" or other[-1] in ".:?") and text[-1] != other[-1] and len(text) > 20
    ]  # fmt: skip
    assert ends == []
    assert [t for t, o in said[language].items() if t[: len(t) - len(t.lstrip())] != o[: len(o) - len(o.lstrip())]] == []


def test_spanish_is_spanish(said):
    """Only what is listed here is the same in both; questions and exclamations open with their sign."""
    same = {text for text, other in said["es"].items() if text == other}
    assert {t for t in same if re.search(r"[a-z]{4}", re.sub(r"\{[^}]*\}", "", t))} <= SAME
    odd = [o for o in said["es"].values() if o.count("?") > o.count("¿") or o.count("!") > o.count("¡")]
    assert odd == []


def test_spanish_keeps_to_one_word_for_one_thing(said):
    """The glossary: what a crew has learned to call a thing it is called on every sheet."""
    lost = []
    for text, other in said["es"].items():
        for english, spanish in GLOSSARY.items():
            if re.search(rf"(?<![\w.{{-]){english}s?(?![\w.}}-])", text.lower()) and not re.search(spanish, other.lower()):
                lost.append((english, text, other))
    assert lost == []


def test_safety_texts_defer_to_the_label_in_spanish(said):
    """Each text that speaks of the label or the law in English names it in Spanish, and those of the cautions are complete."""
    for text, other in said["es"].items():
        low = text.lower()
        if "the label" in low or "product label" in low:
            assert "etiqueta" in other.lower(), text
        if "local rules" in low or "local codes" in low or "local code" in low:
            assert "reglas locales" in other.lower(), text
        if "allergic" in low:
            assert "alérgic" in other and "pida ayuda de inmediato" in other, text
        if "re-entry" in low:
            assert "re-entry interval" in low and "intervalo de reentrada" in other.lower(), text
    cautions = [t for t, modules in catalogue.texts().items() if modules == ["draw/sheet_cautions.py"] and len(t) > 60]
    assert len(cautions) >= 5
    for text in cautions:
        assert len(re.findall(r"[.;:]", said["es"][text])) >= len(re.findall(r"[.:]", text)), text


def test_words_that_spanish_keeps_to(said):
    """Bees are released (liberar) and emerge, crews manejan, clay is arcilla, a round is no ronda."""
    odd = re.compile(r"\b(suelta|soltad[ao]s|hembras que salen|hembras salidas|conduc(en|ir|e)|barro|ronda|siga a ellos)\b", re.IGNORECASE)
    assert [other for other in said["es"].values() if odd.search(other)] == []


def test_who_walks_is_not_told_to_drive(said):
    """What a crew does in an alley is said for those on foot too."""
    alleys = [t for t, modules in catalogue.texts().items() if modules == ["plan/round_words.py"] and "{rows}" in t]
    assert len(alleys) >= 8
    assert [t for t in alleys if re.search("drive|vehicle", t.lower()) or re.search("vehículo|manej|condu", said["es"][t].lower())] == []


@pytest.mark.parametrize("language", OTHERS)
def test_the_compiled_catalogue_is_that_of_the_text(language, said, tmp_path):
    """Byte for byte what `python tests/catalogue.py` writes, and read by the standard library as the text says."""
    po, mo = catalogue.files(language)
    assert mo.read_bytes() == catalogue.compiled(language, said[language])
    written = tmp_path / "again.po"
    written.write_text(catalogue.write_po(language, said[language]), encoding="utf-8")
    assert catalogue.read_po(written) == said[language]
    with mo.open("rb") as stream:
        read = gettext.GNUTranslations(stream)
    assert all(read.gettext(text) == other for text, other in said[language].items())
    head = po.read_text(encoding="utf-8").partition("\n\n")[0]
    assert "charset=UTF-8" in head and "Date" not in head


def test_po_files_keep_quotes_lines_and_backslashes(tmp_path):
    """What is written is read back; twice the same text and fuzzy entries are refused."""
    texts = {'say "{x}"': 'diga "{x}"', "two\nlines": "dos\nrenglones", "a\\b": "a\\c"}
    entries = [catalogue._entry(text, other, ["a.py"], "") for text, other in texts.items()]
    file = tmp_path / "x.po"
    file.write_text("\n".join(entries), encoding="utf-8")
    assert catalogue.read_po(file) == texts
    file.write_text("\n".join([*entries, entries[0]]), encoding="utf-8")
    with pytest.raises(ValueError, match="twice"):
        catalogue.read_po(file)
    file.write_text("#, fuzzy\n" + entries[0], encoding="utf-8")
    with pytest.raises(ValueError, match="fuzzy"):
        catalogue.read_po(file)


def test_languages_and_choices():
    """`both` stands for all, the main one first; anything else is refused by name."""
    assert languages("es") == ("es",) and languages(BOTH) == LANGUAGES == tuple(NAMES)
    for wrong in ("fr", "", "EN"):
        with pytest.raises(ValueError, match="language"):
            languages(wrong)
        with pytest.raises(ValueError, match="language"):
            translator(wrong)
    with pytest.raises(ValueError, match="language"):
        translator(BOTH)


def test_messages_follow_the_choice():
    """In Spanish at once, and with both in English that knows its Spanish, through fields, copies and processes."""
    try:
        choose_language("es")
        assert _("Not hung") == "No colgados"
        choose_language(BOTH)
        inner = _("order by {day}").format(day="2027-01-05")
        text = _("To buy: {goods}.").format(goods=inner)
        assert text == "To buy: order by 2027-01-05." and isinstance(text, Said)
        for copy in (text, pickle.loads(pickle.dumps(text))):
            assert in_language(copy, "es") == "Por comprar: pedir antes del 2027-01-05."
            assert type(in_language(copy, "en")) is str and in_language(copy, "en") == "To buy: order by 2027-01-05."
        assert in_language("plain", "es") == "plain" and in_language(7, "es") == 7
        added = "- " + text + " " + _("Not hung")
        assert added == "- To buy: order by 2027-01-05. Not hung" and in_language(added, "es").endswith("2027-01-05. No colgados")
        assert in_language(joined("; ", ["A1", inner]), "es") == "A1; pedir antes del 2027-01-05" and type(joined("; ", ["A1"])) is str
        with speaking("es"):
            assert _("Not hung") == "No colgados"
        assert isinstance(_("Not hung"), Said)
    finally:
        choose_language("en")
    assert type(_("Not hung")) is str


def test_the_catalogues_travel_with_the_package():
    """They lie inside the folder that the wheel takes whole, and no rule keeps them out of it."""
    root = Path(__file__).parents[1]
    text = (root / "pyproject.toml").read_text(encoding="utf-8")
    assert 'packages = ["src/mudcap"]' in text and "exclude" not in text.partition("[tool.hatch")[2].partition("[tool.pytest")[0]
    ignored = (root / ".gitignore").read_text(encoding="utf-8").split()
    for language in OTHERS:
        for path in catalogue.files(language):
            assert path.is_file() and root / "src" / "mudcap" in path.parents
    assert not {"*.mo", "*.po", "locale/"} & set(ignored)
