"""What the side of the equator decides, and warnings of options in two languages."""

from __future__ import annotations

from pathlib import Path

import pytest
from dresses import BLOCK, geojson, read, write

from mudcap.errors import InputError
from mudcap.files.conventions import conventions
from mudcap.files.ranch import open_ranch
from mudcap.lang import in_language, speaking
from mudcap.orchard.model import Finding
from mudcap.orchard.mud import SEASON, SOUTHERN_SEASON, nesting_season
from mudcap.plan.model import Params
from mudcap.supply.params import SupplyParams
from mudcap.supply.words import release_advice


def ranch(folder: Path, toml: str, lat: float = 37.0) -> Path:
    """A ranch of one block whose corner is at `lat`, with these options."""
    write(folder, "blocks.geojson", geojson([("A", [(lon, y - 37.0 + lat) for lon, y in BLOCK])]))
    write(folder, "mudcap.toml", (toml or "[place]").encode())
    return folder


def unusual(findings: tuple[Finding, ...]) -> list[str]:
    """Texts about unusual options."""
    return [f.text for f in findings if f.code == "unusual_option"]


@pytest.mark.parametrize(
    ("lat", "facing", "odd"),
    [(37, 135, False), (37, 45, True), (37, 180, False), (-39, 45, False), (-39, 0, False), (-39, 360, False), (-39, 135, True)],
)
def test_the_side_of_the_morning_and_noon_sun_is_usual(tmp_path: Path, lat: float, facing: float, odd: bool) -> None:
    """Southeast in the north, northeast in the south."""
    said = unusual(read(ranch(tmp_path, f"[supply]\nfacing_deg = {facing}", lat))[1])
    assert bool(said) is odd
    assert all(("0 to 90" in text) is (lat < 0) for text in said)


def test_a_season_is_read_and_goes_with_the_orchard(tmp_path: Path) -> None:
    """mud.season; without it what is usual on that side of the equator; nonsense is refused."""
    said = read(ranch(tmp_path, '[mud]\nseason = "9-1 to 12-10"\nlimit = "40 m"', -39))[0]
    assert nesting_season(said) == ((9, 1), (12, 10)) and open_ranch(tmp_path).params.mud.limit_m == 40
    assert nesting_season(read(ranch(tmp_path, "", -39))[0]) == SOUTHERN_SEASON
    assert nesting_season(read(ranch(tmp_path, ""))[0]) == SEASON
    for nonsense in ('"spring"', '"2-30 to 5-1"', "3", '"13-1 to 14-1"'):
        with pytest.raises(InputError, match=r"mud\.season"):
            open_ranch(ranch(tmp_path, f"[mud]\nseason = {nonsense}"))


def test_advice_and_reasons_turn_to_the_northeast_in_the_south() -> None:
    """With a word that it is by symmetry."""
    assert "southeast, as is often" in " ".join(release_advice()) and "symmetry" not in " ".join(release_advice())
    assert "northeast" in " ".join(release_advice(is_south=True)) and "symmetry" in " ".join(release_advice(is_south=True))
    bare = Params(supply=SupplyParams())
    north, south = ({c.what: c for c in conventions(bare, [], is_south=side)} for side in (False, True))
    what = "Shelters face, from true north"
    assert north[what].value == "135°" and south[what].value == "45°" and "no source" in south[what].source


def test_warnings_of_options_know_themselves_in_spanish(tmp_path: Path) -> None:
    """With both languages the Spanish papers say them in Spanish."""
    toml = "[stocking]\nfemales_per_acre = 900\n[supply]\nfacing_deg = 300"
    with speaking("both"):
        said = unusual(read(ranch(tmp_path, toml))[1])
    assert len(said) == 2
    assert all("is unusual" in text and "is unusual" not in in_language(text, "es") for text in said)
