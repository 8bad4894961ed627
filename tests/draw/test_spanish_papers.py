"""Papers in Spanish: whole words with all their signs, nothing cut, nothing left in English, and both in one run."""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Iterator
from datetime import date

import pdfplumber
import pytest
from plans import sample_plan
from pypdf import PdfReader

from mudcap.draw.checks import checks
from mudcap.draw.contractor import contractor
from mudcap.draw.picklist import picklist
from mudcap.draw.round_sheet import round_sheet
from mudcap.draw.sheet import sheet
from mudcap.draw.tags import tags
from mudcap.draw.tags_stock import STOCKS
from mudcap.draw.words import corner_word
from mudcap.lang import choose_language, translator
from mudcap.plan.model import Plan
from mudcap.plan.picking import picks
from mudcap.plan.round_make import make_round
from mudcap.plan.round_model import RoundOptions
from round_plans import every_third, plan_at, three_blocks
from small_plan import two_block_plan
from supplied import with_supply

ROUND = plan_at(three_blocks(), [stop for name in ("West", "Mid", "East") for stop in every_third(name)])
PLANS = {"plain": sample_plan(), "supplied": with_supply(two_block_plan()), "round": ROUND}


def drawn_round(plan: Plan, lang: str, task: str) -> bytes:
    """Crew sheets of a round of two days, planned and drawn in one language."""
    choose_language(lang)
    try:
        made = make_round(plan, RoundOptions(task=task, num_days=2, first_day=date(2027, 4, 5), zone_h=-7), ())  # type: ignore[arg-type]
    finally:
        choose_language("en")
    return round_sheet(plan, made, lang=lang)


PAPERS: dict[str, tuple[str, Callable[[Plan, str], bytes]]] = {
    "sheet": ("plain", lambda plan, lang: sheet(plan, lang=lang)),
    "sheet with supply": ("supplied", lambda plan, lang: sheet(plan, lang=lang)),
    "pick-list": ("supplied", lambda plan, lang: picklist(plan, lang=lang)),
    "check sheet": ("plain", lambda plan, lang: checks(plan, lang=lang)),
    "contractor": ("plain", lambda plan, lang: contractor(plan, lang=lang)),
    "labels": ("supplied", lambda plan, lang: tags(picks(plan), STOCKS["letter-3x10"], plan_number=plan.number, title="", lang=lang)),
    **{
        f"round to {task}": ("round", lambda plan, lang, task=task: drawn_round(plan, lang, task))
        for task in ("hang", "check", "fetch")
    },
}
ENGLISH = re.compile(r"\b(the|and|with|row|tree|site|sites|block|page|shelter|shelters|mud|date|cavities|left|right|north|south|spray|label|wait)\b", re.I)
"""Words that no Spanish page holds, but for names of the user's."""


@pytest.fixture(scope="module", params=sorted(PAPERS))
def paper(request) -> tuple[str, bytes, bytes]:
    """Each paper in Spanish and in English."""
    plan, draw = PAPERS[request.param]
    return request.param, draw(PLANS[plan], "es"), draw(PLANS[plan], "en")


def lines(content: bytes) -> Iterator[str]:
    """Every line that can be read on a paper."""
    with pdfplumber.open(io.BytesIO(content)) as document:
        for page in document.pages:
            yield from page.extract_text().splitlines()


def names(plan: Plan) -> set[str]:
    """What the user called things, in words."""
    told = {plan.params.ranch, plan.orchard.name, *(b.block_id for b in plan.blocks), *(b.crop for b in plan.orchard.blocks)}
    told |= {f.name for f in plan.orchard.features} | {r.name for r in plan.orchard.roads} | {k.name for k in plan.orchard.keep_outs}
    told |= {k.reason for k in plan.orchard.keep_outs} | {k for s in plan.supply for k, _n in s.packages}
    return {word.lower() for text in told for word in re.findall(r"\w+", text)}


def test_nothing_is_cut_and_no_sign_is_missing(paper):
    """No ellipsis but where the text has one, no question mark for a letter, no letter that the font lacks; ñ and accents are read."""
    _name, spanish, _english = paper
    found = list(lines(spanish))
    assert [line for line in found if "…" in line and " … al …" not in line] == []
    assert [line for line in found if "?" in line or "\ufffd" in line or "(cid:" in line or "\u25af" in line] == []
    assert re.search(r"[áéíóúñ]", "".join(found))


def test_fonts_are_embedded(paper):
    """Every font of every page has its file within."""
    for page in PdfReader(io.BytesIO(paper[1])).pages:
        for font in page["/Resources"].get("/Font", {}).values():
            own = font.get_object()
            inner = own["/DescendantFonts"][0].get_object() if "/DescendantFonts" in own else own
            assert any(key in inner["/FontDescriptor"] for key in ("/FontFile", "/FontFile2", "/FontFile3")), own["/BaseFont"]


def test_no_english_is_left(paper):
    """Apart from names that the user gave, no common English word stands on a Spanish page; on the English one many do."""
    name, spanish, english = paper
    own = names(PLANS[PAPERS[name][0]])
    left = [line for line in lines(spanish) if [w for w in ENGLISH.findall(line) if w.lower() not in own]]
    assert left == []
    assert [line for line in lines(english) if [w for w in ENGLISH.findall(line) if w.lower() not in own]]


def test_pages_of_both_languages_are_as_many_or_nearly(paper):
    """Longer words add a page at most; the document says which language it is in."""
    _name, spanish, english = paper
    es, en = PdfReader(io.BytesIO(spanish)), PdfReader(io.BytesIO(english))
    assert abs(len(es.pages) - len(en.pages)) <= 1
    assert (es.trailer["/Root"]["/Lang"], en.trailer["/Root"]["/Lang"]) == ("es", "en")


def test_numbers_and_dates_stay_as_the_ranch_writes_them(paper):
    """Every number of the English paper stands on the Spanish one: same decimal points, same dates."""
    name, spanish, english = paper
    def numbers(content: bytes) -> set[str]:
        return set(re.findall(r"(?<![\w.])\d[\d,]*\.\d+|\d{4}-\d\d-\d\d", " ".join(lines(content))))

    assert numbers(english) == numbers(spanish), name


def test_corners_and_points_are_abbreviated_in_spanish():
    """West is oeste; a corner nobody knows stays."""
    _ = translator("es")
    assert [corner_word(c, _) for c in ("NW", "SW", "W", "NE", "S", "–")] == ["NO", "SO", "O", "NE", "S", "–"]
    assert corner_word("NW", translator("en")) == "NW"
