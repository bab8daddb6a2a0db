"""A survey in numbers: the counts behind the card that `standage check` prints, and the card."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from standage.card_pictures import histogram
from standage.errors import plainly
from standage.object_card import ObjectCard
from standage.survey.schema import table
from standage.years import growing_seasons

if TYPE_CHECKING:
    from standage.survey.survey import Survey

LONGEST_LINE = 5_000
"""Characters of a line of the card; a note may list forty names."""

CLASS_CM = 5.0  # of the card's picture


def summary_counts(survey: Survey, species_with_profile: tuple[str, ...]) -> dict:
    """How much of everything a survey holds.

    Keys: `stands`, `plots`, `plot_area_ha`; `stems`: {status: {"in_plots", "outside"}};
    `stems_by_species`: {species: stems}; `species_without_profile`: {species: stems}; `cores`,
    `cored_trees`, `cores_by_centre`, `cores_by_dating`, `cores_without_height`; `attempts_failed`:
    stems tried without a core; `count_rows_by_stage`, `counted_by_stage`; `known_age_stems`,
    `events`, `events_by_kind`, `rings_measured`, `ring_series`, `rings_absent`. Every code is
    present, with 0 where nothing has it.
    """
    trees, cores, counts = survey.trees, survey.cores, survey.counts
    in_plots = trees["plot"] != ""
    by_species = {
        str(species): int(number) for species, number in trees["species"].value_counts().items()
    }
    failed = trees["core_outcome"].isin(["no_sound_wood", "unreadable"]) & ~trees["tree"].isin(
        cores["tree"]
    )
    return {
        "stands": len(survey.stands),
        "plots": len(survey.plots),
        "plot_area_ha": float(survey.plots["area_m2"].sum() / 1e4),
        "stems": {
            status: {
                "in_plots": int(((trees["status"] == status) & in_plots).sum()),
                "outside": int(((trees["status"] == status) & ~in_plots).sum()),
            }
            for status in table("trees").column("status").codes
        },
        "stems_by_species": by_species,
        "species_without_profile": {
            species: number
            for species, number in by_species.items()
            if species not in species_with_profile
        },
        "cores": len(cores),
        "cored_trees": int(cores["tree"].nunique()),
        "cores_by_centre": _by_code(cores, "cores", "centre"),
        "cores_by_dating": _by_code(cores, "cores", "dating"),
        "cores_without_height": int(cores["height_cm"].isna().sum()),
        "attempts_failed": int(failed.sum()),
        "count_rows_by_stage": _by_code(counts, "counts", "stage"),
        "counted_by_stage": {
            stage: int(counts.loc[counts["stage"] == stage, "count"].sum())
            for stage in table("counts").column("stage").codes
        },
        "known_age_stems": len(survey.known_age_stems),
        "events": len(survey.events),
        "events_by_kind": {
            kind: number
            for kind, number in _by_code(survey.events, "events", "kind").items()
            if number
        },
        "rings_measured": len(survey.ring_widths),
        "ring_series": int(survey.ring_widths["core"].nunique()),
        "rings_absent": int((survey.ring_widths["width_mm"] == 0).sum()),
    }


def _by_code(frame: pd.DataFrame, name: str, column: str) -> dict[str, int]:
    """Rows for each code of a column, codes without rows included."""
    return {code: int((frame[column] == code).sum()) for code in table(name).column(column).codes}


def _listed(numbers: dict[str, int]) -> str:
    return ", ".join(f"{number} {name}" for name, number in numbers.items() if number) or "none"


def _range(values: pd.Series, what: str) -> str:
    """Smallest, middle and largest [cm], at which a person sees that something was written in
    another unit.
    """
    values = values.dropna()
    return (
        f"{what} {values.min():.4g} to {values.max():.4g} cm, half of them up to"
        f" {values.median():.4g}"
        if len(values)
        else f"no {what}"
    )


def summary_card(survey: Survey, numbers: dict, *, notes: bool = True) -> str:
    """The card: one line a subject, then the notes unless they are shown elsewhere."""
    stems = ", ".join(
        f"{counts['in_plots'] + counts['outside']} {status} ({counts['in_plots']} in plots,"
        f" {counts['outside']} outside)"
        for status, counts in numbers["stems"].items()
        if counts["in_plots"] + counts["outside"]
    )
    lines = [
        f"Survey {survey.name}",
        f"  stands    {numbers['stands']}, season {_seasons(survey)}",
        f"  plots     {numbers['plots']}"
        + (f", {numbers['plot_area_ha']:.4g} ha in all" if numbers["plots"] else ""),
        f"  stems     {stems}",
        (
            f"  sizes     {_range(survey.trees['dbh_cm'], 'diameters')};"
            f" {_range(survey.cores['height_cm'], 'coring heights')}"
        ),
        f"  species   {_listed(numbers['stems_by_species'])}; main species {survey.main_species}",
        (
            f"  cores     {numbers['cores']} of {numbers['cored_trees']} trees; centre:"
            f" {_listed(numbers['cores_by_centre'])}; dating:"
            f" {_listed(numbers['cores_by_dating'])}; {numbers['cores_without_height']} without"
            " coring height"
        ),
        f"  attempts  {numbers['attempts_failed']} trees tried without a core",
        (
            f"  counts    rows: {_listed(numbers['count_rows_by_stage'])}; plants:"
            f" {_listed(numbers['counted_by_stage'])}"
        ),
        f"  known age {numbers['known_age_stems']}",
        f"  events    {_listed(numbers['events_by_kind'])}",
    ]
    if numbers["rings_measured"]:
        years, files = survey.ring_widths["year"], sorted(set(survey.ring_widths["file"]))
        lines.append(
            f"  rings     {numbers['rings_measured']} measured in {numbers['ring_series']} series,"
            f" {years.min():.0f} to {years.max():.0f}, {numbers['rings_absent']} of them absent"
            f" (width 0); from {', '.join(files[:5])}"
            + (f" and {len(files) - 5} more files" if len(files) > 5 else "")
        )
    if notes:
        lines += [f"  note: {note}" for note in survey.notes]
    return "\n".join(plainly(line, LONGEST_LINE) for line in lines)


def survey_card(survey: Survey) -> ObjectCard:
    """The card in a notebook: how much there is, and which sizes were cored."""
    species = survey.trees["species"].value_counts()
    named = ", ".join(str(name).replace("-", " ") for name in species.index[:3])
    numbers = [(f"{len(survey.stands):,}", "stands"), (f"{len(survey.trees):,}", "stems")]
    numbers.append((f"{survey.cores['tree'].nunique():,}", "trees cored"))
    if len(survey.plots):
        hectares = survey.plots["area_m2"].sum() / 1e4
        numbers.append((f"{hectares:.3g} ha", f"in {len(survey.plots):,} plots"))
    if len(survey.ring_widths):
        numbers.append((f"{len(survey.ring_widths):,}", "rings measured"))
    return ObjectCard(
        kind="Survey",
        title=plainly(survey.name),
        subtitle=f"season {_seasons(survey)}; {named}{' and others' if len(species) > 3 else ''}",
        numbers=numbers,
        picture_title="Stems by diameter at breast height; dark: cored",
        picture=_diameters(survey),
        notes=[plainly(note, LONGEST_LINE) for note in survey.notes],
    )


def _diameters(survey: Survey) -> str:
    """A histogram; nothing where no stem has a diameter."""
    diameters = survey.trees["dbh_cm"]
    if not diameters.notna().any():
        return ""
    edges = np.arange(0.0, diameters.max() + CLASS_CM, CLASS_CM)
    cored = survey.trees["tree"].isin(survey.cores["tree"])
    every, some = (
        np.histogram(values.dropna(), edges)[0] for values in (diameters, diameters[cored])
    )
    return histogram(edges, every, some, "cm")


def _seasons(survey: Survey) -> str:
    """The growing seasons in which the stands were surveyed."""
    seasons = growing_seasons(survey.stands["survey_date"])
    first, last = int(seasons.min()), int(seasons.max())
    return str(first) if first == last else f"{first} to {last}"
