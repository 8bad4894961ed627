"""The numbers a plan rests on, each with its source or the words "common practice, no source"."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from mudcap.geo.units import M_PER_FT, Units, length_text
from mudcap.lang import counted, translator
from mudcap.orchard.names import crop_text
from mudcap.plan.model import Params
from mudcap.supply.kit import usual_facing
from mudcap.supply.stocking import preset_for


@dataclass(frozen=True, slots=True, kw_only=True)
class Convention:
    """One number: what it is, its value in the units chosen, and where it comes from."""

    what: str
    value: str
    source: str


def conventions(params: Params, crops: Iterable[str], lang: str = "en", *, is_south: bool = False) -> tuple[Convention, ...]:
    """The numbers used by a run with these options on blocks of these crops, on which side of the equator."""
    word = translator(lang)
    common = word("Common practice, no source.")
    access, place, stocking = params.access, params.place, params.stocking
    per_acre = (
        f"{place.per_acre:g}" if place.per_acre_max is None else f"{place.per_acre:g}–{place.per_acre_max:g}"
    )

    def length(value_m: float) -> str:
        return _length(value_m, params.units)

    rows = [
        (word("Shelters an acre"), per_acre,
         common + " " + word("Trials favour many small sites (Artz et al. 2013, Insect Conserv. Divers. 6:715–724; 2014, J. Econ. Entomol. 107:2045–2054; Boyle & Pitts-Singer 2017, J. Insect Sci. 17(2):41).")),
        (word("Clear of the width a sprayer sweeps"), length(access.spray_clear_m), common),
        (word("Kept from the block edge"), length(access.block_edge_m),
         word("Field trials favour edges (Boyle et al. 2020, Ecol. Evol. 10:3189–3199).")),
        (word("Clear of keep-outs"), length(access.keep_out_m), common),
        (word("Clear of hazards"), length(access.hazard_m), common),
        (word("Clear of honey-bee hives"), length(access.hives_m), common),
        (word("Clear of a chemical store"), length(access.chemical_store_m), common),
        (word("Longest walk from the vehicle"), length(access.walk_m), common),
        (word("Mud within"), length(params.mud.limit_m),
         word("Convention; upper bound 160–400 m (525–1,310 ft; NC State Extension, bee hotel checklist).")),
        (word("A puddle's trench"), f"{length(params.mud.trench_length_m)} × {length(params.mud.trench_width_m)} × {_depth(params.mud.trench_depth_m, params.units, 0)}",
         common),
        (word("Puddles wetted in dry weather"), word("every {days}").format(days=counted(word, "{n} day", "{n} days", params.mud.rewet_days).format(n=params.mud.rewet_days)),
         word("An almond trial wetted twice a week (Boyle et al. 2020, Ecol. Evol. 10:3189–3199, as cited by others).")),
        (word("Hose of the water truck"), length(params.mud.hose_m), common),
        (word("Cocoons set out"), word("central") if params.release.mode == "central" else word("spread"),
         common + " " + word("The number of release sites had no effect in an almond trial (Artz et al. 2014, J. Econ. Entomol. 107:2045–2054).")),
        (word("Cavities for each female released"), f"{stocking.cavities_per_female:g}",
         common + " " + word("In field tunnels 0.9–1.4 tubes were used a female (Schmolke, Galic & Hinarejos 2023, J. Appl. Ecol. 60:2573–2585).")),
        (word("Warn above cavities at one site"), str(stocking.cavities_warn),
         word("NC State Extension, citing Artz et al. 2013, 2014.")),
    ]  # fmt: skip
    if place.farthest_m is not None:
        rows.insert(1, (word("Wanted farthest tree"), length_text(place.farthest_m, params.units, 1), word("Asked for.")))
    crops = tuple(crops)
    rows += _females(params, crops, lang)
    rows += _bees(params, crops, lang)
    rows += _goods(params, lang, is_south)
    return tuple(Convention(what=what, value=value, source=source) for what, value, source in rows)


def _length(value_m: float, units: Units) -> str:
    """A length with tenths below 10 feet (or metres) only."""
    return length_text(value_m, units, 1 if value_m < 10 * (M_PER_FT if units == "us" else 1.0) else 0)


def _depth(value_m: float, units: Units, digits: int) -> str:
    return f"{value_m / 0.0254:.{digits}f} in" if units == "us" else f"{value_m * 100:.{digits}f} cm"


def _females(params: Params, crops: Iterable[str], lang: str) -> list[tuple[str, str, str]]:
    word = told = translator(lang)
    given = params.stocking.females_per_acre
    what = word("Females released an acre")
    if given is not None:
        return [(what, f"{given:g}", word("Asked for."))]
    presets = {p.name: p for p in (preset_for(crop, params.stocking) for crop in crops)}
    return [
        (f"{what} ({crop_text(name, word)})", f"{p.females_per_acre:g}", told(p.source) + ".") for name, p in sorted(presets.items())
    ]


def _bees(params: Params, crops: Iterable[str], lang: str) -> list[tuple[str, str, str]]:
    word = told = translator(lang)
    stocking = params.stocking
    rows = [
        (word("Cocoons from which a bee comes out"), f"{stocking.expected_emergence:g}",
         word("From memory, no source: take the share of your own X-rayed or opened sample.")),
        (word("Emerged females that come to nest"), f"{stocking.retention:g}",
         word("Osmia cornuta in almond (Bosch et al. 2021, Insects 12:56); 0.5–0.75 in the tables of Schmolke, Galic & Hinarejos 2023. Females of O. lignaria stayed in far smaller numbers than were released (Artz et al. 2014).")),
    ]  # fmt: skip
    if stocking.hives_per_acre is not None:
        rows.append((word("Honey-bee hives an acre beside them"), f"{stocking.hives_per_acre:g}", word("Asked for.")))
        return rows
    presets = {p.name: p for p in (preset_for(crop, stocking) for crop in crops)}
    for name, p in sorted(presets.items()):
        value = "–" if p.hives_full is None or p.hives_reduced is None else f"{p.hives_full:g} / {p.hives_reduced:g}"
        what = f"{word('Honey-bee hives an acre beside them, full / reduced')} ({crop_text(name, word)})"
        rows.append((what, value, told(p.hives_source) + "."))
    return rows


def _goods(params: Params, lang: str, is_south: bool) -> list[tuple[str, str, str]]:
    word, goods = translator(lang), params.supply
    if goods is None:
        return []
    why = word("Southeast is often recommended (NC State Extension, bee hotel checklist).")
    if is_south:
        why += " " + word("South of the equator that becomes northeast: reasoning by symmetry, no source.")
    facing_deg = usual_facing(is_south).taken if goods.facing_deg is None else goods.facing_deg
    rows = [
        (word("Shelters face, from true north"), f"{facing_deg:g}°", why),
        (word("Height of the openings"), length_text(goods.height_m, params.units, 1),
         word("About 5 ft (1.5 m; NC State Extension, bee hotel checklist); out of the shaker's and sprayer's way.")),
    ]  # fmt: skip
    if goods.female_cocoon_ml is not None:
        depth = _depth(goods.tray_depth_m, params.units, 1)
        rows.append((word("Depth of loose cocoons while warming"), depth, word("At most 2–3 in (5–8 cm): common practice, no source.")))
    return rows
