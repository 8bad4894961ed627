"""A plan opened again from its files: the same sites without a solver, or a clear refusal."""

from __future__ import annotations

import dataclasses
import json
import shutil
from pathlib import Path

import numpy as np
import pytest
from small_ranch import geojson, make_ranch

from mudcap.app import cli, runner
from mudcap.errors import InputError, StoreError
from mudcap.files.layers import read_orchard
from mudcap.files.lonlat import ReadOptions
from mudcap.files.ranch import open_ranch
from mudcap.files.report_json import report
from mudcap.files.saved import read_saved
from mudcap.files.store import read_codes
from mudcap.lang import in_language, speaking
from mudcap.plan.reopen import changed_options, reopen_plan


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A ranch of two blocks, planned by a stand-in for the solver, with options and an edit of the command line."""
    folder = tmp_path_factory.mktemp("reopen")
    ranch = make_ranch(folder / "ranch", "North", "South", toml='[access]\nwalk = "150 ft"\n')
    edits = folder / "edits.csv"
    edits.write_text("kind,lon,lat\nban,-120.0005,37.0004\npin,-120.0007,37.0005\n")
    arguments = ["plan", str(ranch), "--per-acre", "8", "--quick", "-q", "--edits", str(edits)]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(runner, "SOLVER", "solvers:good")
        assert cli.run(arguments) == 0
    return ranch


@pytest.fixture
def planned(made, tmp_path):
    """A copy of it for one test."""
    return Path(shutil.copytree(made, tmp_path / "ranch"))


def opened(ranch):
    spec, out = open_ranch(ranch), ranch / "out"
    orchard, _findings = read_orchard(
        spec, options=ReadOptions(codes=read_codes(out / "plan.gpkg")), progress=lambda text: None
    )
    return reopen_plan(read_saved(out), orchard), spec


def test_the_plan_comes_back_as_it_was_written(planned):
    """Its report is the same but for findings' places; every tree is with its nearest site; the ban stands."""
    plan, _spec = opened(planned)
    before = json.loads((planned / "out" / "report.json").read_text())
    after = json.loads(json.dumps(report(plan)))
    for key in set(before) - {"findings", "driven_m"}:
        assert after[key] == before[key], key
    assert after["driven_m"] == pytest.approx(before["driven_m"], abs=0.2)  # a sum of rounded lengths
    assert [f["text"] for f in after["findings"]] == [f["text"] for f in before["findings"]]
    xy = np.array([(s.x_m, s.y_m) for s in plan.sites])
    gap = np.hypot(*(plan.demand.xy[:, None] - xy[None]).transpose(2, 0, 1))
    assert np.abs(gap[np.arange(len(gap)), plan.assigned] - gap.min(axis=1)).max() < 1e-3
    assert plan.puddles is not None and len(plan.puddles.puddles) > 0 and len(plan.release) > 0
    for thing in (*plan.puddles.puddles, *plan.release):
        assert plan.orchard.plane.to_lonlat([(thing.x_m, thing.y_m)])[0] == pytest.approx((thing.lon, thing.lat), abs=1e-7)
    assert (plan.candidates.reasons & 256).sum() == 256 and sum(s.pinned for s in plan.sites) == 1


def test_puddles_addresses_come_in_the_language_of_the_run(planned):
    """The files hold one language; what no place on the ground says so any more stays as it was told."""
    english = [p["address"] for p in json.loads((planned / "out" / "report.json").read_text())["puddles"]]
    with speaking("es"):
        spanish = [p.address for p in opened(planned)[0].puddles.puddles]
    with speaking("both"):
        both = [p.address for p in opened(planned)[0].puddles.puddles]
    assert english == both and spanish == [in_language(a, "es") for a in both]
    assert not set(english) & set(spanish) and any("hilera" in text for text in spanish)
    told = json.loads((planned / "out" / "report.json").read_text())
    told["puddles"][0]["address"] = "by the old oak"
    (planned / "out" / "report.json").write_text(json.dumps(told))
    with speaking("es"):
        assert [p.address for p in opened(planned)[0].puddles.puddles] == ["by the old oak", *spanish[1:]]


def test_options_that_differ_are_named(planned):
    """The command line's density is the plan's own, and is told; how many processes solved is not."""
    plan, spec = opened(planned)
    now = dataclasses.replace(spec.params, place=dataclasses.replace(spec.params.place, jobs=3))
    assert changed_options(plan.params, now) == ("place.effort", "place.per_acre")
    assert changed_options(plan.params, plan.params) == ()


def test_other_input_is_refused(planned):
    """A block that was drawn anew, by a metre, is not what the plan was made from."""
    path = planned / "blocks.geojson"
    path.write_text(geojson("North", "South").replace("-120.001,", "-120.00101,"))
    with pytest.raises(InputError, match="Run mudcap plan again"):
        opened(planned)


def test_tampered_or_mixed_files_are_refused(planned):
    """Another site in the database, another option, another plan's report, or half a report."""
    out = planned / "out"
    text = (out / "report.json").read_text()
    (out / "report.json").write_text(text.replace('"per_acre": 8.0', '"per_acre": 9.0'))
    with pytest.raises(InputError, match="other input or options"):
        opened(planned)
    number = json.loads(text)["plan"]
    (out / "report.json").write_text(text.replace(number, "00000000"))
    with pytest.raises(StoreError, match="two different plans"):
        opened(planned)
    (out / "report.json").write_text(text[: len(text) // 2])
    with pytest.raises(StoreError, match="damaged"):
        opened(planned)
    (out / "report.json").unlink()
    with pytest.raises(InputError, match="Run mudcap plan first"):
        opened(planned)
