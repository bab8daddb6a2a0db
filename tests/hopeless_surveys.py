"""Small surveys that can't support an answer: each is made by code, and docs/cannot-tell.md tells
what may be said of it and what may not.

`SURVEYS` holds a function by name; called, it gives the tables of the survey. All are invented.
Sizes grow with age by the rule of thumb of `dbh_of` (assumption), so that nothing but what the name
says is wrong with them.
"""

from __future__ import annotations

from collections.abc import Callable

from standage.simulate.tables import SimulatedSurvey, as_table

YEAR = 2020  # of the surveys
SURVEY_DATE = "2020-11-20"  # the season of the year is over
PINE, OTHER_PINE = "longleaf-pine", "loblolly-pine"
BELOW_CORE = 8  # years that the invented trees took to the height of their core [years]
AGES = (
    24,
    31,
    37,
    45,
    52,
    60,
    66,
    75,
    83,
    94,
    110,
    130,
)  # no two near each other: nothing here is a pulse
PLOT_M2 = 2000
SURVEYS: dict[str, Callable[[], SimulatedSurvey]] = {}


def survey(make: Callable[[], SimulatedSurvey]) -> Callable[[], SimulatedSurvey]:
    """Puts a survey into `SURVEYS` under its function's name, with spaces."""
    SURVEYS[make.__name__.replace("_", " ")] = make
    return make


def dbh_of(age: float) -> float:
    """Diameter of an invented tree. [cm]"""
    return round(55 * (1 - 2.718 ** (-max(age - 8, 1) / 60)) + 3, 1)


def trees_of(ages=AGES, *, stand="a", plot="a1", species=PINE, prefix="t", **more) -> list[dict]:
    """A live tree for each age; `more` fills further columns of all."""
    return [
        {
            "tree": f"{stand}-{prefix}{n}",
            "stand": stand,
            "plot": plot,
            "species": species,
            "dbh_cm": dbh_of(age),
        }
        | more
        for n, age in enumerate(ages, start=1)
    ]


def cores_of(trees: list[dict], ages=AGES, *, chosen=None, **more) -> list[dict]:
    """A core for each tree, or for the trees whose places are `chosen`; `more` fills or replaces
    columns of all.
    """
    places = range(len(trees)) if chosen is None else chosen
    return [
        {
            "core": f"{trees[n]['tree']}-a",
            "tree": trees[n]["tree"],
            "height_cm": 30,
            "first_ring_year": YEAR - ages[n] + BELOW_CORE,
            "last_ring_year": YEAR,
            "outer_ring": "complete",
            "dating": "counted",
            "centre": "pith",
        }
        | more
        for n in places
    ]


def plot(name="a1", stand="a", area_m2=PLOT_M2, min_dbh_cm=5, **more) -> dict:
    return {
        "plot": name,
        "stand": stand,
        "area_m2": area_m2,
        "min_dbh_cm": min_dbh_cm,
        "placement": "random",
    } | more


def stand(name="a", survey_date=SURVEY_DATE, **more) -> dict:
    return {"stand": name, "survey_date": survey_date, "community": "sandhill"} | more


def of(
    *, stands=None, plots=None, trees=(), cores=(), counts=(), known_age_stems=(), events=()
) -> SimulatedSurvey:
    """Tables of a survey; one stand with one plot unless told otherwise."""
    rows = {
        "stands": [stand()] if stands is None else stands,
        "plots": [plot()] if plots is None else plots,
        "trees": trees,
        "cores": cores,
        "counts": counts,
        "known_age_stems": known_age_stems,
        "events": events,
    }
    return SimulatedSurvey({name: as_table(name, list(these)) for name, these in rows.items()}, {})


def with_cores(trees=None, ages=AGES, *, chosen=None, **core) -> SimulatedSurvey:
    trees = trees_of(ages) if trees is None else trees
    return of(trees=trees, cores=cores_of(trees, ages, chosen=chosen, **core))


def count(stage: str, number: int, *, plot="a1", area_m2=100, **more) -> dict:
    return {
        "plot": plot,
        "stage": stage,
        "species": PINE,
        "area_m2": area_m2,
        "count": number,
    } | more


# too few cores


@survey
def one_core():
    return with_cores(chosen=[6])


@survey
def three_cores():
    return with_cores(chosen=[2, 6, 9])


@survey
def no_core():
    return of(trees=trees_of())


@survey
def no_core_readable():
    trees = trees_of(core_outcome="unreadable")
    return of(trees=trees)


@survey
def three_trees_in_all():
    ages = AGES[::4]
    return with_cores(trees_of(ages), ages)


# cores that say little


@survey
def all_centres_rotten():
    return with_cores(centre="rotten", first_ring_year=None, ring_count=18)


@survey
def rotten_and_no_ring_counted():
    return with_cores(centre="rotten", first_ring_year=None, last_ring_year=None)


@survey
def all_centres_unknown():
    return with_cores(centre="unknown")


@survey
def all_centres_straight():
    return with_cores(centre="straight", first_ring_year=YEAR - 14)


@survey
def five_rings_a_core():
    return with_cores(centre="straight", first_ring_year=YEAR - 4)


@survey
def no_coring_height():
    return with_cores(height_cm=None)


@survey
def all_cores_at_three_metres():
    return with_cores(height_cm=300)


@survey
def no_year_of_bark():
    trees = trees_of()
    cores = cores_of(trees, first_ring_year=None, last_ring_year=None, outer_ring="unknown")
    return of(
        trees=trees,
        cores=[
            core | {"ring_count": age - BELOW_CORE} for core, age in zip(cores, AGES, strict=True)
        ],
    )


@survey
def outer_rings_lost():
    trees = trees_of()
    cores = cores_of(trees, dating="crossdated", outer_ring="lost")
    for core in cores:
        core["last_ring_year"] = max(core["first_ring_year"] + 5, YEAR - 15)
    return of(trees=trees, cores=cores)


@survey
def upper_core_older_than_lower():
    trees = trees_of()
    lower = cores_of(trees)
    upper = [
        core
        | {
            "core": f"{core['tree']}-b",
            "height_cm": 137,
            "first_ring_year": core["first_ring_year"] - 15,
        }
        for core in lower
    ]
    return of(trees=trees, cores=[*lower, *upper])


@survey
def two_cores_of_a_tree_forty_years_apart():
    trees = trees_of()
    first = cores_of(trees, dating="crossdated")
    second = [
        core | {"core": f"{core['tree']}-b", "first_ring_year": core["first_ring_year"] - 40}
        for core in first
    ]
    return of(trees=trees, cores=[*first, *second])


@survey
def every_tree_the_same_age():
    ages = (60,) * 12
    return with_cores(trees_of(ages), ages)


# diameters and plots that say little


@survey
def one_diameter_class():
    return of(trees=trees_of(dbh_cm=25.0))


@survey
def all_diameters_equal():
    return with_cores(trees_of(dbh_cm=25.0), chosen=[2, 6, 9])


@survey
def no_diameters():
    trees = trees_of(plot=None, dbh_cm=None)
    return of(plots=[], trees=trees, cores=cores_of(trees))


@survey
def no_plots_and_no_cores():
    return of(plots=[], trees=trees_of(plot=None))


@survey
def one_stem_a_plot():
    trees = trees_of()
    for n, tree in enumerate(trees, start=1):
        tree["plot"] = f"a{n}"
    plots = [plot(f"a{n}", area_m2=10) for n in range(1, len(trees) + 1)]
    return of(plots=plots, trees=trees, cores=cores_of(trees, chosen=[2, 6, 9]))


@survey
def a_plot_with_one_stem():
    trees = trees_of(AGES[6:7])
    return of(plots=[plot(area_m2=10)], trees=trees, cores=cores_of(trees, AGES[6:7]))


@survey
def most_plots_empty():
    trees = trees_of()
    return of(
        plots=[plot(), *(plot(f"a{n}") for n in range(2, 9))],
        trees=trees,
        cores=cores_of(trees, chosen=[2, 6, 9]),
    )


@survey
def no_stem_in_any_plot():
    trees = trees_of(plot=None)
    return of(trees=trees, cores=cores_of(trees, chosen=[2, 6, 9]))


@survey
def one_old_tree_among_saplings():
    ages = (400,) + (12,) * 14
    trees = trees_of(ages)
    return of(trees=trees, cores=cores_of(trees, ages, chosen=[0]))


# stands with hardly anything to date


@survey
def nothing_alive_before_last_year():
    return of(
        counts=[
            count("germinant", 400),
            count("grass", 0),
            count("emerging", 0),
            count("sapling", 0),
        ]
    )


@survey
def only_seedlings_counted():
    return of(
        counts=[
            count("germinant", 3),
            count("grass", 120),
            count("emerging", 9),
            count("sapling", 4),
        ]
    )


@survey
def only_dead_trees():
    trees = trees_of(status="dead", death_year=2011)
    return of(trees=trees, cores=cores_of(trees, last_ring_year=2010))


@survey
def only_planted_trees():
    trees = trees_of((33,) * 12, origin="planted", planted_year=1988)
    return of(trees=trees, cores=cores_of(trees, (33,) * 12, first_ring_year=1990))


@survey
def only_species_without_profile():
    trees = trees_of(species="post-oak")
    return of(trees=trees, cores=cores_of(trees))


@survey
def one_stem_a_stand():
    names = [f"s{n}" for n in range(1, 7)]
    trees = [
        tree
        for n, name in enumerate(names)
        for tree in trees_of(AGES[n : n + 1], stand=name, plot=None)
    ]
    return of(
        stands=[stand(name) for name in names],
        plots=[],
        trees=trees,
        cores=cores_of(trees, AGES[:6]),
    )


# tables that contradict each other, or what is assumed


@survey
def no_grass_and_thousands_of_saplings():
    trees = trees_of()
    counts = [
        count("germinant", 0),
        count("grass", 0),
        count("emerging", 0),
        count("sapling", 3000),
    ]
    return of(trees=trees, cores=cores_of(trees, chosen=[2, 6, 9]), counts=counts)


@survey
def stems_of_known_age_against_the_profile():
    trees = trees_of()
    known_age_stems = [
        {
            "stem": f"c{n}",
            "stand": "a",
            "species": PINE,
            "known_from": "records",
            "still_in_grass": "no",
            "age_years": 40,
            "grass_years": 30,
        }
        for n in range(1, 7)
    ]
    return of(trees=trees, cores=cores_of(trees, chosen=[2, 6, 9]), known_age_stems=known_age_stems)


@survey
def one_species_without_profile_among_others():
    trees = [*trees_of(), *trees_of(AGES[:5], species="post-oak", prefix="o")]
    return of(trees=trees, cores=cores_of(trees[:12], chosen=[2, 6, 9]))


@survey
def events_after_the_survey():
    trees = trees_of()
    events = [
        {"event": "storm", "stand": "a", "kind": "storm", "first_year": 2023, "last_year": 2023},
        {
            "event": "cut",
            "stand": "a",
            "kind": "logging",
            "first_year": 2022,
            "last_year": 2024,
            "share_removed": 0.5,
        },
    ]
    return of(trees=trees, cores=cores_of(trees, chosen=[2, 6, 9]), events=events)


@survey
def a_cut_that_took_everything():
    trees = trees_of()
    events = [
        {
            "event": "cut",
            "stand": "a",
            "kind": "logging",
            "first_year": 2000,
            "last_year": 2000,
            "share_removed": 1.0,
        }
    ]
    return of(trees=trees, cores=cores_of(trees, chosen=[2, 6, 9]), events=events)


@survey
def two_species_with_eight_stems_each():
    pines = trees_of(AGES[:8])
    others = trees_of(AGES[:8], species=OTHER_PINE, prefix="o")
    return of(
        trees=[*pines, *others],
        cores=[*cores_of(pines, chosen=[2, 6]), *cores_of(others, chosen=[2, 6])],
    )


@survey
def surveys_decades_apart():
    early = trees_of(stand="a")
    late = trees_of(stand="b", plot="b1")
    cores = [
        core | {"first_ring_year": core["first_ring_year"] - 40, "last_ring_year": YEAR - 40}
        for core in cores_of(early, chosen=[6])
    ]
    return of(
        stands=[stand("a", "1980-11-20"), stand("b")],
        plots=[plot(), plot("b1", "b")],
        trees=[*early, *late],
        cores=[*cores, *cores_of(late, chosen=[6])],
    )
