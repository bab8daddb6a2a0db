"""Delays from a survey's stems of known age: a table, a picture and a profile of one's own."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from standage.errors import StandageError
from standage.evidence.core import core_table
from standage.evidence.delays import BREAST_HEIGHT_CM
from standage.evidence.known_age import HEIGHT_STEP_CM, KnownAge, known_age_of
from standage.evidence.local_delays import local_delays
from standage.evidence.measured_profile import measured_numbers
from standage.evidence.years_to_height import REGION, years_to_height
from standage.profiles import Profile, load_profile, profile_keys
from standage.profiles.writing import FIRST_LINE, write_profile
from standage.replaced_file import made_folder, move_all, passing_folder, refuse_others
from standage.survey.files.formula_escapes import escape_table, write_escaped_csv
from standage.survey.survey import Survey

PNG = "\ufffdPNG"  # how the first line of a picture reads as text
PICTURE_INCHES = (7.2, 4.6)
WHAT_TO_MEASURE = (
    "Enter some fifteen young plants or more, the slow ones too: plants tagged or on record with"
    " age_years and still_in_grass, better grass_years; small stems cut, with rings_at_ground,"
    " rings_at_height and height_cm; the height of plants of known age, age_years and height_cm"
    " (docs/tutorial-local-delays.md)."
)


@dataclass(frozen=True)
class MeasuredDelays:
    """What `standage delays` found. table: years to heights. written: the files."""

    text: str
    table: pd.DataFrame
    written: tuple[Path, ...]


def measure_delays(
    survey: Survey,
    out: str | Path,
    *,
    species: str = "",
    stand: str = "",
    level: float = 0.9,
    profile_folder: str | None = None,
) -> MeasuredDelays:
    """Delays of the stands of a survey and of their region; writes the profile `out`, a table and a
    picture beside it. stand: the profile is of this one alone. Raises StandageError without a stem
    of known age, for an `out` that isn't named after the species, or a place that holds something
    else.
    """
    profile, known = _evidence(survey, species, profile_folder)
    path = Path(out)
    if path.name != f"{profile.key}.toml":
        raise StandageError.at(
            path,
            f"a file called {path.name}",
            f"one called {profile.key}.toml",
            "A profile is found by the name of its species: choose a folder of your own and call"
            f" the file {profile.key}.toml.",
        )
    if stand and stand not in known:
        raise StandageError.at(
            "--stand",
            f"{stand}, without stems of known age",
            f"one of: {', '.join(known)}",
            "Choose one of these, or leave --stand out for the profile of the region.",
        )
    delays = local_delays(known, profile)
    table = years_to_height(
        delays, known, profile, level=level, heights_cm=_coring_heights(survey, profile.key)
    )
    numbers = measured_numbers(survey, known, delays, profile, stand=stand)
    as_csv, picture = (path.with_name(f"{path.stem}-years.{end}") for end in ("csv", "png"))
    refuse_others(path, header=FIRST_LINE, what="a profile made by this command")
    refuse_others(as_csv, header=",".join(table.columns), what="a table of delays")
    refuse_others(picture, header=PNG, what="a picture")
    written = (path, as_csv, picture)
    with made_folder(path.parent), passing_folder(path.parent) as workshop:
        write_profile(workshop / path.name, profile, numbers)
        write_escaped_csv(escape_table(table.round(2)), workshop / as_csv.name)
        _write_picture(workshop / picture.name, table, known)
        move_all(workshop, written)
    return MeasuredDelays(_text(table, known, profile, level), table, written)


def _evidence(
    survey: Survey, species: str, profile_folder: str | None
) -> tuple[Profile, dict[str, KnownAge]]:
    """The species whose stems of known age are used, and what they show by stand."""
    recorded = survey.known_age_stems["species"].replace("", survey.main_species)
    there = [key for key in dict.fromkeys(recorded) if key in profile_keys(profile_folder)]
    usual = survey.main_species if survey.main_species in there else (there or [""])[0]
    key = species or usual or survey.main_species
    profile = load_profile(key, profile_folder)
    every = {name: known_age_of(survey, name, key, profile) for name in survey.stands["stand"]}
    known = {name: rows for name, rows in every.items() if len(rows)}
    if not known:
        raise StandageError.at(
            f"{survey.name}, table known_age_stems",
            f"no stem of {key} of which a delay is known",
            "one at least",
            WHAT_TO_MEASURE,
        )
    return profile, known


def _coring_heights(survey: Survey, species: str) -> set[float]:
    """Heights of the survey's own cores of the species, rounded. [cm]"""
    cores = core_table(survey)
    heights = cores.loc[cores["species"] == species, "height_cm"].dropna()
    rounded = HEIGHT_STEP_CM * (heights / HEIGHT_STEP_CM).round()
    return {float(height) for height in rounded if 0 < height < BREAST_HEIGHT_CM - HEIGHT_STEP_CM}


def _write_picture(path: Path, table: pd.DataFrame, known: dict[str, KnownAge]) -> None:
    from standage.figures.axes import new_figure
    from standage.figures.local_delays import plot_years_to_height

    figure = new_figure(*PICTURE_INCHES)
    plot_years_to_height(table, known, ax=figure.subplots())
    figure.savefig(path, format="png", dpi=150)


def _text(table: pd.DataFrame, known: dict[str, KnownAge], profile: Profile, level: float) -> str:
    grass = sum(rows.about_grass for rows in known.values())
    growth = sum(rows.about_growth for rows in known.values())
    stands = "1 stand" if len(known) == 1 else f"{len(known)} stands"
    lines = [
        f"{profile.name}, years from germination to a height: {grass} stems say"
        f" something of the grass stage, {growth} of the growth above it, in {stands}.",
        f"Mean of the plants of a stand, with its interval of {level:.0%}; added to the rings at"
        " the height it gives the age.",
    ]
    heights = list(table["height_cm"].unique())
    names = {True: "the region", False: "another stand"}
    labels = [
        row.stand or names[row.about == REGION]
        for row in table.drop_duplicates(["about", "stand"]).itertuples()
    ]
    wide = max(len("by the profile"), *map(len, labels))
    lines.append(f"{'':<{wide}} " + " ".join(f"{f'{height:g} cm':>18}" for height in heights))
    groups = table.groupby(["about", "stand"], sort=False)
    for label, (_, rows) in zip(labels, groups, strict=True):
        lines.append(f"{label:<{wide}} " + _cells(rows, ""))
    first = table[table["about"] == REGION]
    lines.append(f"{'by the profile':<{wide}} " + _cells(first, "before_"))
    if len(known) == 1:
        lines.append("One stand says little of its region: how stands differ is the profile's.")
    if profile.has_grass_stage and not grass:
        lines.append("No stem says how long the grass stage was: those years are the profile's.")
    if not growth:
        lines.append(
            "No stem says how fast it grew: years above the start of the stem are the profile's."
            if profile.has_grass_stage
            else "No stem says how fast it grew."
        )
    return "\n".join(lines)


def _cells(rows: pd.DataFrame, which: str) -> str:
    return " ".join(
        f"{f'{middle:.1f} ({low:.1f}-{high:.1f})':>18}"
        for middle, low, high in zip(
            rows[f"{which}mean_years"],
            rows[f"{which}mean_years_low"],
            rows[f"{which}mean_years_high"],
            strict=True,
        )
    )
