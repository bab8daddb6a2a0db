"""Surveys of stands whose history is known, so that a dating can be held to the truth.

Nothing here is shared with the evidence or the stand model. A stand is played forward plant by
plant, then surveyed: stems listed in plots, seedlings counted in subplots, cores taken and read.
What a fitted model assumes about these steps is written down in the model page; the simulator is a
second writing of the same page.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from standage.profiles import Profile, load_profile
from standage.simulate.departures import Departures, early_survival
from standage.simulate.field import Surveyor
from standage.simulate.history import (
    Pulse,
    StandHistory,
    SurveyDesign,
    mast_years,
    recruitment_from_prior,
    steady_recruitment,
)
from standage.simulate.life import LifeHistory, draw_life_histories, standing_off
from standage.simulate.plants import Cut, grow, standing_after
from standage.simulate.tables import SimulatedSurvey, as_table
from standage.years import growing_season


def simulate_survey(
    seed: int,
    *,
    stands: list[StandHistory],
    profile: Profile | None = None,
    plot_dispersion: float | None = None,
    count_dispersion: float | None = None,
) -> SimulatedSurvey:
    """Survey stands of known history.

    seed: the same seed gives the same survey, cell by cell. profile: life history, longleaf pine if
    None. plot_dispersion, count_dispersion: how alike plots and subplots are (the larger the more
    alike; infinity = as alike as chance allows); drawn from the priors of the model page, section
    6, if None. Raises ValueError where a history does not end at its survey's growing season.

    >>> import numpy as np
    >>> from standage.simulate.history import StandHistory
    >>> history = StandHistory("north", "2024-06-11", 1900, np.full(125, 2.0))
    >>> simulated = simulate_survey(1, stands=[history])
    >>> simulated.tables["stands"]["stand"].tolist()
    ['north']
    """
    profile = load_profile("longleaf-pine") if profile is None else profile
    rng = np.random.default_rng(seed)
    if plot_dispersion is None:
        plot_dispersion = 4 * math.exp(0.8 * rng.standard_normal())
    if count_dispersion is None:
        count_dispersion = math.exp(0.8 * rng.standard_normal())
    drawn = draw_life_histories(
        profile,
        rng,
        stands=len(stands),
        first_year=min(history.first_year for history in stands),
        last_year=max(history.season for history in stands),
    )
    surveys = []
    for history, life in zip(stands, drawn, strict=True):
        if growing_season(pd.Timestamp(history.survey_date)) != history.season:
            raise ValueError(
                f"{history.stand}: the history ends in {history.season}, the survey of"
                f" {history.survey_date} is in another season"
            )
        surveyor = Surveyor(
            history,
            life if history.life is None else history.life,
            profile.key,
            np.random.default_rng(rng.integers(2**63)),
        )
        surveyor.survey(plot_dispersion, count_dispersion)
        surveys.append(surveyor)
    tables = {
        name: as_table(name, [row for one in surveys for row in one.rows[name]])
        for name in surveys[0].rows
    }
    truth = {
        name: pd.concat([one.truth[name] for one in surveys], ignore_index=True)
        for name in surveys[0].truth
    }
    return SimulatedSurvey(tables, truth)


def small_survey(
    seed: int,
    *,
    stems: float = 60,
    cores: int = 25,
    profile: Profile | None = None,
    pulse: tuple[int, int] | None = (1930, 1941),
    pulse_share: float = 0.5,
    first_year: int = 1770,
    survey_date: str = "2024-06-11",
    plots: int = 2,
    from_prior: bool = False,
    mast_log_sd: float = 0.0,
    plot_dispersion: float | None = None,
    count_dispersion: float | None = None,
    design: SurveyDesign | None = None,
    cuts: tuple[Cut, ...] = (),
    standing: Mapping[str, float] | None = None,
    departures: Departures | None = None,
) -> SimulatedSurvey:
    """One stand, quickly surveyed; about `stems` listed stems of which `cores` are cored.

    pulse: first and last year of a time of extra recruitment that holds `pulse_share` of the listed
    stems, None for none. from_prior: the whole history is drawn from the prior of the model page,
    section 2, and `pulse` is not used: for calibration by simulation. mast_log_sd: spread of yearly
    seed crops. design: another design; its number of cores and plots wins. cuts: cuts that the
    survey's tables do not tell of. standing: numbers of the life history at a fixed place of their
    prior, see `standing_off`, in place of a draw. departures: in what the stand and
    the crew differ from the model's assumptions.

    >>> simulated = small_survey(5, stems=30, cores=6)
    >>> len(simulated.tables["cores"])
    6
    >>> sorted(simulated.truth)
    ['cores', 'living', 'parameters', 'pulses', 'trees']
    >>> simulated.write(folder).name == folder.name
    True
    """
    profile = load_profile("longleaf-pine") if profile is None else profile
    rng = np.random.default_rng([seed, 1])
    season = growing_season(pd.Timestamp(survey_date))
    design = (
        SurveyDesign(plot_areas_m2=(2000.0,) * plots, cores=cores) if design is None else design
    )
    life = draw_life_histories(profile, rng, stands=1, first_year=first_year, last_year=season)[0]
    departures = Departures() if departures is None else departures
    life = dataclasses.replace(standing_off(life, profile, standing or {}), departures=departures)
    years = np.arange(first_year, season + 1)
    if from_prior:
        pulse = None
        background = recruitment_from_prior(rng, profile, first_year, season)
    else:
        background = steady_recruitment(profile, first_year, season, per_ha_at_fifty=1.0)
    share = 0.0 if pulse is None else pulse_share
    background = (
        background
        * mast_years(rng, len(years), log_sd=mast_log_sd)
        * early_survival(departures, profile, years)
    )
    background = (
        background
        * (1 - share)
        * stems
        / _expected_listed(rng, life, years, background, design, cuts)
    )
    pulses: tuple[Pulse, ...] = ()
    if pulse is not None and share:
        one = Pulse(pulse[0], pulse[1], 1.0)
        pulses = (
            Pulse(
                pulse[0],
                pulse[1],
                share * stems / _expected_listed(rng, life, years, one.per_ha(years), design, cuts),
            ),
        )
    history = StandHistory(
        "a",
        survey_date,
        first_year,
        background,
        pulses,
        cuts,
        community="mesic upland",
        life=life,
        design=design,
    )
    return simulate_survey(
        int(rng.integers(2**31)),
        stands=[history],
        profile=profile,
        plot_dispersion=plot_dispersion,
        count_dispersion=count_dispersion,
    )


def null_survey(
    seed: int, *, stems: float = 150, cores: int = 60, plots: int = 4, **more: Any
) -> SimulatedSurvey:
    """One stand of recruitment that never changed, without any pulse; other arguments as for
    `small_survey`.

    >>> null_survey(1, stems=30, cores=6).truth["pulses"].empty
    True
    """
    return small_survey(seed, stems=stems, cores=cores, plots=plots, pulse=None, **more)


def _expected_listed(
    rng: np.random.Generator,
    life: LifeHistory,
    years: np.ndarray,
    per_ha: np.ndarray,
    design: SurveyDesign,
    cuts: tuple[Cut, ...],
) -> float:
    """Listed stems to be expected of a history, from plants played forward on the plots' area many
    times over.
    """
    area_ha = sum(design.plot_areas_m2) / 1e4
    past_seedlings = per_ha * (
        years[-1] - years > 2
    )  # no younger plant reaches a listed size; most plants are that young
    times = 20_000 / past_seedlings.sum()
    plants = grow(rng, life, years, past_seedlings * times)
    plants = plants.chosen(standing_after(rng, plants, cuts))
    listed = (plants.stage(int(years[-1]), design.min_dbh_cm) == "tree").sum()
    return max(float(listed), 1.0) * area_ha / times
