"""A filled-in list against its plan: ticks and counts as people write them, names as spreadsheets spoil them."""

from __future__ import annotations

import dataclasses

import pytest

from mudcap.plan.picking import Pick
from mudcap.plan.returned import NOT_AS_PLANNED, NOT_TRUSTED, ReturnedLine, returned, ticked, whole_number


def pick(site_id: str, **given) -> Pick:
    """A site of a plan."""
    plain = Pick(site_id=site_id, block_id="Creek", number=1, row=4, tree=9, lon=-119.5, lat=36.5, cavities=80, females=40, males=60)
    return dataclasses.replace(plain, **given)


def line(where: str = "line 2", **cells) -> ReturnedLine:
    """A line that came back, ticked unless it says otherwise."""
    return ReturnedLine(where=where, cells={"hung": "x", "stocked": "x", **cells})


@pytest.mark.parametrize("text", ["x", "X.", "☑", "☒", "✔️", "✓", "Yes", "SÍ", "s", "1", "1.0", "TRUE", "Verdadero", "ＯＫ", " done! "])
def test_ticks(text):
    """Signs, words and numbers, in English and Spanish, full-width too."""
    assert ticked(text) is True


@pytest.mark.parametrize("text", ["", " ", "☐", "0", "0.0", "no", "FALSE", "falso", "–"])
def test_empty_boxes(text):
    """Nothing done."""
    assert ticked(text) is False


@pytest.mark.parametrize("text", ["?", "2", "later", "3/2/2027", "46421", "â˜", "x x", "not yet"])
def test_what_is_neither(text):
    """It is asked back, never guessed: a spoilt sign, a date, a remark."""
    assert ticked(text) is None


@pytest.mark.parametrize(("text", "number"), [
    ("80", 80), (" 80 ", 80), ("80.0", 80), ("80,00", 80), ("1,200", 1200), ("1.200", 1200), ("1 200", 1200), ("1\u202f200", 1200),
    ("８０", 80), ("'80", 80), ("", None), ("80.5", None), ("-80", None), ("8e1", None), ("eighty", None), ("1,20", None), ("9" * 12, None),
])  # fmt: skip
def test_counts(text, number):
    """Whole numbers as people and programs write them."""
    assert whole_number(text) == number


def test_each_difference_says_site_place_and_what_was_planned():
    """In a sentence that begins with the place."""
    found = returned([pick("CRK0001", packages=(("bundle of 25", 3),))], "0badcafe", [
        line("a.csv, line 7", site_id="crk0001", cavities_hung="75", take="3 x  Bundle of 25", females="41"),
    ])  # fmt: skip
    assert [(d.kind, d.planned, d.found) for d in found.differences] == [("changed", "40", "41"), ("other_cavities", "80", "75")]
    assert all(d.text.startswith("a.csv, line 7: site CRK0001") for d in found.differences)


def test_a_column_that_was_taken_out_is_no_change_but_an_emptied_cell_is():
    """Also for ticks: a list without a column for stocking says nothing of it."""
    only = ReturnedLine(where="line 2", cells={"site_id": "CRK0001", "hung": "x"})
    assert returned([pick("CRK0001")], "0badcafe", [only]).differences == ()
    emptied = line(site_id="CRK0001", cavities="", tree="9")
    assert [(d.kind, d.column, d.found) for d in returned([pick("CRK0001")], "0badcafe", [emptied]).differences] == [("changed", "cavities", "")]


@pytest.mark.parametrize(("name", "spoilt"), [
    ("0120004", "120004"), ("1E00004", "10000"), ("1E00012", "1E+12"), ("7E00003", "7000"), ("CRK0004", "crk0004"), ("CRK0004", " CRK0004 "),
])  # fmt: skip
def test_a_name_that_a_spreadsheet_took_for_a_number_is_found_again(name, spoilt):
    """Where only one site can be meant."""
    assert returned([pick(name), pick("ABC0001")], "0badcafe", [line(site_id=spoilt)], is_part=True).differences == ()


def test_a_spoilt_name_that_may_be_two_sites_is_unknown():
    """Nothing is guessed."""
    twins = [pick("1E00004"), pick("0010000")]
    assert returned(twins, "0badcafe", [line(site_id="10000")], is_part=True).counts == {"unknown_site": 1}


def test_of_two_lines_with_one_name_the_one_that_agrees_counts():
    """Whoever overwrote a name altered the other line."""
    planned = [pick("CRK0001"), pick("CRK0002", number=2, row=5)]
    lines = [line("line 2", site_id="CRK0001", row="5", number="2"), line("line 3", site_id="CRK0001", row="4", number="1")]
    found = returned(planned, "0badcafe", lines)
    assert [(d.kind, d.site_id, d.where) for d in found.differences] == [("duplicate", "CRK0001", "line 2"), ("missing", "CRK0002", "")]
    assert found.hung == 1


def test_stocked_without_hung_is_told_so():
    """And counts as not hung."""
    found = returned([pick("CRK0001")], "0badcafe", [line(site_id="CRK0001", hung="")])
    assert found.counts == {"not_hung": 1} and "ticked as stocked" in found.differences[0].text
    assert (found.hung, found.stocked) == (0, 1)


def test_a_list_of_another_plan_is_told_once_and_still_compared():
    """A number that a spreadsheet shortened is the same number."""
    planned = [pick("CRK0001"), pick("CRK0002")]
    old = [line(site_id="CRK0001", plan="aaaaaaaa"), line(site_id="CRK0002", plan="aaaaaaaa")]
    found = returned(planned, "0badcafe", old)
    assert found.counts == {"other_plan": 1} and found.hung == 2
    assert returned(planned, "00012345", [line(site_id=s, plan="12345") for s in ("CRK0001", "CRK0002")]).counts == {}


def test_an_empty_list_lacks_every_site():
    """Unless it is said to be a part."""
    assert returned([pick("CRK0001")], "0badcafe", []).counts == {"missing": 1}
    assert returned([pick("CRK0001")], "0badcafe", [], is_part=True).differences == ()


def test_each_kind_has_one_class():
    """None is both."""
    assert not NOT_TRUSTED & NOT_AS_PLANNED
