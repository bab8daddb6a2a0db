"""Numbers that no crew can have meant: what can't be is refused, what is hard to believe is asked
about, and what is only unusual passes. Each case is judged by what a person meant.
"""

import pandas as pd
import pytest
from good_survey import problems_of
from hopeless_surveys import AGES, SURVEYS, YEAR, cores_of, count, of, plot, stand, trees_of
from quick_sample import quick_sample

from standage.evidence import date_trees
from standage.survey.reading import read_survey


def survey(folder, *, trees=None, cores=None, **more):
    trees = trees_of(AGES[:10]) if trees is None else trees
    cores = cores_of(trees, AGES[:10], chosen=[2, 6]) if cores is None else cores
    return of(trees=trees, cores=cores, **more).write(folder)


def one_core(folder, *, dbh=30.0, **cells):
    trees = trees_of(AGES[:10])
    trees[6]["dbh_cm"] = dbh
    core = cores_of(trees, AGES[:10], chosen=[6])[0] | cells
    return survey(folder, trees=trees, cores=[core])


def refused(folder) -> str:
    return "\n".join(map(str, problems_of(folder)))


def asked(folder) -> str:
    return "\n".join(map(str, read_survey(folder).warnings))


def test_what_is_usual_passes(tmp_path):
    assert asked(survey(tmp_path / "usual")) == ""
    assert asked("demo/longleaf-survey") == ""


# Found by an attack: each was accepted with "No problems found."


def test_hectares_in_the_column_of_square_metres(tmp_path):
    """0.4 in area_m2 gave 540,000 to 1,200,000 stems per hectare."""
    words = refused(survey(tmp_path, plots=[plot(area_m2=0.4)]))
    assert "area_m2" in words and "250,000 stems" in words and "0.1 ha are 1000" in words


def test_more_rings_than_a_tree_of_the_species_can_have(tmp_path):
    """1400 rings in a 22.7 cm stem gave: established between 605 and 670."""
    words = refused(
        one_core(tmp_path, dbh=22.7, first_ring_year=None, ring_count=1400, centre="pith")
    )
    assert "ring_count: found 1400 rings in a longleaf-pine" in words and "460" in words


def test_a_core_longer_than_the_stem_is_thick(tmp_path):
    words = refused(one_core(tmp_path, dbh=22.7, core_length_mm=877))
    assert "core_length_mm: found 877 mm, in a stem of 22.7 cm" in words


@pytest.mark.parametrize("centre", ["pith", "arcs"])
def test_a_thick_tree_with_its_first_ring_five_years_ago(tmp_path, centre):
    words = refused(one_core(tmp_path, dbh=57.7, first_ring_year=YEAR - 1, centre=centre))
    assert "2 rings, in a stem of about" in words and "too young" in words


@pytest.mark.parametrize("centre", ["straight", "rotten", "unknown"])
def test_the_same_where_the_centre_was_not_reached_is_asked_about(tmp_path, centre):
    """Five rings of a broken core say little, but they can be true."""
    words = asked(one_core(tmp_path, dbh=57.7, first_ring_year=YEAR - 4, centre=centre))
    assert "5 rings, in a stem of about" in words and "too young" in words


def test_coring_heights_in_metres(tmp_path):
    trees = trees_of(AGES[:10])
    cores = cores_of(trees, AGES[:10], chosen=[2, 4, 6])
    for core, height in zip(cores, (0.3, 0.3, 1.37), strict=True):
        core["height_cm"] = height
    words = refused(survey(tmp_path, trees=trees, cores=cores))
    assert "heights from 0.3 to 1.37" in words and "multiply by 100" in words


def test_a_height_in_metres_among_the_same_in_centimetres(tmp_path):
    trees = trees_of(AGES[:4])
    cores = cores_of(trees, AGES[:4])
    for core, height in zip(cores, (0.3, 30, 30, 137), strict=True):
        core["height_cm"] = height
    assert "0.3 cm above the ground" in asked(survey(tmp_path, trees=trees, cores=cores))


def test_breast_height_in_feet_among_heights_in_centimetres(tmp_path):
    trees = trees_of(AGES[:4])
    cores = cores_of(trees, AGES[:4])
    for core, height in zip(cores, (4.5, 30, 30, "4.5 in"), strict=True):
        core["height_cm"] = height
    words = asked(survey(tmp_path, trees=trees, cores=cores))
    assert "4.5 cm above the ground" in words and "11.43 cm above the ground" in words
    assert "'4.5 ft'" in words


@pytest.mark.parametrize("blank", [[3, 4], [2, 3, 4], [4]])
def test_stems_without_a_plot_below_stems_of_one(tmp_path, blank):
    """Documented as stems outside the plots: used so, and asked about."""
    trees = trees_of(AGES[:6])
    plots = {each["plot"] for each in trees}
    assert len(plots) == 1
    for place in blank:
        trees[place]["plot"] = ""
    trees[5]["plot"] = "" if 4 in blank else trees[5]["plot"]
    cores = cores_of(trees, AGES[:6], chosen=[0, 1])
    words = asked(survey(tmp_path, trees=trees, cores=cores))
    assert "without a plot below stems of a plot" in words


@pytest.mark.parametrize(
    ("remark", "matters"),
    [
        ("outside plot", True),
        ("DBH really 84.2", True),
        ("cut 2019", True),
        ("planted 1990", True),
        ("wrong tree?", True),
        ("do not use", True),
        ("hollow past 40 rings", True),
        ("count could be +/- 5", True),
        ("sapwood lost", True),
        ("snag, bark absent", True),
        ("broke, bark end missing", True),
        ("bark end lost", True),
        ("dead since the hurricane", True),
        ("OUT, 30 cm outside line", True),
        ("first 5 rings broken off", True),
        ("lost the outer 3-4 rings", True),
        ("last few rings gone", True),
        ("outer end broken off", True),
        ("last 5 rings missing", True),
        ("out, on line", True),
        ("dead in spring", True),
        ("bored again, other side", True),
        ("same tree as 1", True),
        ("fallen, dead", True),
        ("died in storm", True),
        ("killed by beetles", True),
        ("uprooted, still green", True),
        ("down", True),
        ("top dead, down slope of plot", True),
        ("dead top", False),
        ("half-dead", False),
        ("beside a fallen limb", False),
        ("tag fell off", False),
        ("dbh under 1", False),
        ("died back at the top", False),
        ("old cat face, N side", False),
        ("leaning, near plot centre", False),
        ("removed vines to measure", False),
    ],
)
def test_remarks_that_contradict_the_columns(tmp_path, remark, matters):
    trees = trees_of(AGES[:4])
    trees[0]["note"] = trees[2]["note"] = remark
    cores = [each | {"outer_ring": ""} for each in cores_of(trees, AGES[:4])]
    words = asked(survey(tmp_path, trees=trees, cores=cores))
    assert (f"'{remark}'" in words) == matters
    assert words.count("no remark that changes") == (2 if matters else 0)


def test_a_second_reading_typed_as_a_core_of_its_own(tmp_path):
    trees = trees_of(AGES[:4])
    cores = cores_of(trees, AGES[:4])
    more = cores[0] | {"core": "second", "centre": "arcs", "note": "2nd reading"}
    assert "core_readings" in asked(survey(tmp_path / "two", trees=trees, cores=[*cores, more]))
    alone = survey(tmp_path / "one", trees=trees, cores=[*cores[1:], more])
    assert "core_readings" not in asked(alone)


@pytest.mark.parametrize(
    ("widths", "said"),
    [
        ((28.0,), "0.3 to 12 mm in longleaf-pine"),
        ((0.2,), "0.3 to 12 mm in longleaf-pine"),
        ((2.0, 2.1, 1.8, 2.6, 1.9, 11.0), "11 mm a ring; expected the mean width"),
        ((2.0, 2.1, 1.8, 2.6, 1.9, 4.5), ""),
        ((11.0,), ""),
    ],
)
def test_inner_rings_unlike_any_others(tmp_path, widths, said):
    trees = trees_of(AGES[:8])
    cores = cores_of(trees, AGES[:8])
    for core, width in zip(cores, widths, strict=False):
        core["inner_ring_mm"] = width
    words = asked(survey(tmp_path, trees=trees, cores=cores))
    assert said in words and ("inner_ring_mm" in words) == bool(said)


@pytest.mark.parametrize(("subplots", "twice"), [("1234", 0), ("1231", 1), ("    ", 0)])
def test_a_subplot_entered_twice(tmp_path, subplots, twice):
    counts = [
        {"plot": "a1", "subplot": each.strip(), "stage": "grass", "area_m2": 1, "count": 3}
        for each in subplots
    ]
    words = asked(survey(tmp_path, counts=counts))
    assert words.count("once more for stage 'grass'") == twice


@pytest.mark.parametrize("heights", [(0, 0, 0), (1, 2, 3), (2.5, 30, 137), (0.5, 10, 10)])
def test_low_coring_heights_that_can_be_centimetres(tmp_path, heights):
    trees = trees_of(AGES[:10])
    cores = cores_of(trees, AGES[:10], chosen=[2, 4, 6])
    for core, height in zip(cores, heights, strict=True):
        core["height_cm"] = height
    assert "height" not in asked(survey(tmp_path, trees=trees, cores=cores))


def test_coring_heights_in_feet_are_asked_about(tmp_path):
    trees = trees_of(AGES[:10])
    cores = cores_of(trees, AGES[:10], chosen=[2, 4, 6], height_cm=4.5)
    assert "30.48" in asked(survey(tmp_path, trees=trees, cores=cores))


MEASURED = {"core_length_mm": 121.5, "inner_ring_mm": 1.85, "centre": "straight"}


def twins(folder, **more):
    """One core under two names, and its tree's age by it."""
    trees = trees_of(AGES[:10])
    first = cores_of(trees, AGES[:10], chosen=[6])[0] | more
    return survey(folder, trees=trees, cores=[first, first | {"core": "second"}])


def test_a_measured_core_under_a_second_name_is_refused(tmp_path):
    """It once narrowed its tree."""
    words = refused(twins(tmp_path, **MEASURED))
    assert "cores.csv, row 3, column core: found the same in all columns as core 'a-t7-a'" in words


def test_two_cores_to_the_pith_that_agree_may_be_two(tmp_path):
    """Both reach it in a certain year, and nothing else was written down."""
    assert "the same in all columns" in asked(twins(tmp_path, dating="crossdated"))


def test_cores_with_rings_of_their_own_are_two_and_with_the_same_rings_one(tmp_path):
    for name, other in (("two", 1.5), ("one", 1.2)):
        folder = twins(tmp_path / name, dating="crossdated")
        first = YEAR - AGES[6] + 8
        rows = [
            f"{core},{first + n},{width + 0.01 * (n % 17)}"
            for core, width in (("a-t7-a", 1.2), ("second", other))
            for n in range(YEAR - first + 1)
        ]
        (folder / "ring_widths.csv").write_text("core,year,width_mm\n" + "\n".join(rows) + "\n")
        if name == "two":
            assert "same in all columns" not in asked(folder)
        else:
            assert "the ring widths of core 'a-t7-a' again" in refused(folder)


def test_count_rows_that_come_twice_exceed_the_plot(tmp_path):
    counts = [count("grass", 3, area_m2=500)] * 5
    words = refused(survey(tmp_path / "often", counts=counts))
    assert "counts.csv, row 2, column area_m2: found 2500 m2 searched" in words
    assert "5 rows" in words and "2000 m2 of plot" in words
    assert asked(survey(tmp_path / "full", counts=counts[:4])) == ""
    classes = [
        count("grass", 3, area_m2=2000, collar_low_mm=low, collar_high_mm=low + 5)
        for low in (5, 10, 15)
    ]
    assert asked(survey(tmp_path / "classes", counts=classes)) == ""


def test_an_event_after_the_survey_is_told_by_check(tmp_path):
    words = asked(SURVEYS["events after the survey"]().write(tmp_path))
    assert words.count("after the survey in the season of 2020") == 2


# Plausibility: other units, other places


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"plots": [plot(area_m2=80)]}, "a stand no denser"),
        ({"plots": [plot(area_m2=250_000)]}, "less than ten hectares"),
        ({"stands": [stand(area_ha=0.1)]}, "less than the 0.2 ha of its plots"),
        ({"counts": [count("grass", 90_000, area_m2=10)]}, "90000 on 10 m2"),
    ],
)
def test_areas_and_counts_in_another_unit_are_asked_about(tmp_path, changes, words):
    folder = survey(tmp_path, **changes)
    assert words in asked(folder)


@pytest.mark.parametrize(
    ("note", "status", "asked_about"),
    [
        ("dead snag", "", True),
        ("Dead", "", True),
        ("dead tree", "", True),
        ("Standing dead pine", "", True),
        ("beside a dead tree", "", False),
        ("died 2019", "", True),
        ("dead snag", "dead", False),
        ("dead top", "", False),
        ("old flat top", "", False),
    ],
)
def test_a_stem_that_is_dead_by_its_remarks_only(tmp_path, note, status, asked_about):
    trees = trees_of(AGES[:10])
    trees[4] |= {"note": note, "status": status}
    words = asked(survey(tmp_path, trees=trees))
    assert (f"row 6, column note: found '{note}'" in words) == asked_about


@pytest.mark.parametrize("blank, asked_about", [(1, True), (5, False)])
def test_a_blank_status_where_others_are_written(tmp_path, blank, asked_about):
    trees = trees_of(AGES[:8])
    for place, tree in enumerate(trees):
        tree["status"] = "" if place < blank else "live"
    words = asked(survey(tmp_path, trees=trees))
    assert ("live is written of most stems" in words) == asked_about


def test_a_diameter_no_tree_of_the_species_has(tmp_path):
    """A circumference of 220 cm is a stem of 70."""
    words = asked(one_core(tmp_path, dbh=220.0))
    assert "220 cm, a longleaf-pine" in words and "circumference" in words


def test_diameters_in_inches_beside_cores_in_millimetres(tmp_path):
    """12 inches are 30 cm: a core to the pith is then 150 mm long."""
    words = asked(one_core(tmp_path, dbh=12.0, core_length_mm=140, first_ring_year=1960))
    assert "not inches" in words


def test_an_age_beyond_the_oldest_known_is_asked_about(tmp_path):
    words = asked(one_core(tmp_path, dbh=60, first_ring_year=None, ring_count=570, centre="arcs"))
    assert "570 rings in a longleaf-pine" in words and "460" in words


def test_rings_that_a_thin_stem_has_hardly_room_for(tmp_path):
    words = asked(one_core(tmp_path, dbh=12, first_ring_year=None, ring_count=300, centre="pith"))
    assert "300 rings in a stem of 12.4 cm, a mean ring of 0.24 mm" in words


def test_a_tree_that_moved_stand(tmp_path):
    trees = [*trees_of(AGES[:8], stand="north"), *trees_of(AGES[:8], stand="south", plot="s1")]
    trees[3] |= {"stand": "south", "plot": "s1"}
    plots = [plot(stand="north"), plot("s1", "south")]
    folder = survey(
        tmp_path,
        trees=trees,
        cores=cores_of(trees, AGES[:8] * 2, chosen=[2, 10]),
        stands=[stand("north"), stand("south")],
        plots=plots,
    )
    words = asked(folder)
    assert words.count("named after stand 'north'") == 1 and "north-t4" in words


def test_names_that_do_not_begin_with_the_stand_are_not_asked_about(tmp_path):
    trees = [*trees_of(AGES[:8], prefix="x"), *trees_of(AGES[:8], stand="ax", plot="p2")]
    for place, tree in enumerate(trees):
        tree["tree"] = f"{place}"
    folder = survey(
        tmp_path,
        trees=trees,
        cores=cores_of(trees, AGES[:8] * 2, chosen=[2]),
        stands=[stand(), stand("ax")],
        plots=[plot(), plot("p2", "ax")],
    )
    assert asked(folder) == ""


def test_an_own_profile_has_limits_of_its_own(tmp_path):
    profiles = tmp_path / "profiles"
    profiles.mkdir()
    from standage.profiles import models_folder

    text = (models_folder() / "longleaf-pine.toml").read_text(encoding="utf-8")
    older = text.replace("[longevity]\nyears = {value = 460", "[longevity]\nyears = {value = 700")
    without = older.split("[limits]")[0]
    (profiles / "longleaf-pine.toml").write_text(without, encoding="utf-8")
    folder = one_core(
        tmp_path / "survey", dbh=60, first_ring_year=None, ring_count=570, centre="arcs"
    )
    assert "570 rings" in asked(folder)
    own = read_survey(folder, profile_folder=profiles).warnings
    assert "570 rings in a longleaf-pine" not in "\n".join(map(str, own))


@pytest.mark.parametrize("name", quick_sample(SURVEYS, first=1))
def test_every_blank_date_has_its_reason(name, tmp_path):
    try:
        read = read_survey(SURVEYS[name]().write(tmp_path))
    except Exception as refusal:
        assert str(refusal)
        return
    ages = date_trees(read)
    blank = ages["establishment_year_median"].isna()
    assert (ages.loc[blank, "left_out_reason"] != "").all()
    assert pd.notna(ages.loc[~blank, "establishment_year_low"]).all()


def test_a_living_tree_whose_last_ring_is_years_before_the_coring_is_asked_about(tmp_path):
    """A last ring of 2012 in a tree cored in 2021 made it nine years older, with a clean bill."""
    early = {"first_ring_year": YEAR - 60, "last_ring_year": YEAR - 9}
    words = asked(one_core(tmp_path / "early", **early))
    assert f"found {YEAR - 9} as the last ring of a living tree" in words and "`lost`" in words
    assert asked(one_core(tmp_path / "lost", **early, outer_ring="lost")) == ""
    assert asked(one_core(tmp_path / "whole", **(early | {"last_ring_year": YEAR}))) == ""


def test_a_count_that_ends_long_before_the_core_was_taken_is_asked_about(tmp_path):
    def counted(name, rings, **more):
        core = {"first_ring_year": YEAR - 60, "last_ring_year": None, "ring_count": rings}
        core |= {"dating": "counted"} | more
        return asked(one_core(tmp_path / name, **core))

    assert "which end in" in counted("slip", 16)
    assert counted("slip and lost", 16, outer_ring="lost").count("which end in") == 0
    assert counted("near", 57) == ""


@pytest.mark.parametrize(("plots", "asked_about"), [("aabb  ", False), ("aab  c", True)])
def test_cored_stems_without_a_plot_are_asked_about_below_a_plot_written_once(
    tmp_path, plots, asked_about
):
    trees = trees_of(AGES[:6])
    for tree, letter in zip(trees, plots, strict=True):
        tree["plot"] = f"p{letter}" if letter.strip() else ""
    listed = [plot(plot=f"p{letter}") for letter in sorted(set(plots) - {" "})]
    cores = cores_of(trees, AGES[:6])
    words = asked(survey(tmp_path, trees=trees, cores=cores, plots=listed))
    assert ("without a plot below" in words) == asked_about


@pytest.mark.parametrize(("distance", "found"), [(300, "refused"), (180, "asked"), (20, "")])
def test_a_pith_farther_off_than_the_stem_is_wide(tmp_path, distance, found):
    folder = one_core(tmp_path, dbh=30.0, pith_distance_mm=distance, centre="unknown")
    words = refused(folder) if found == "refused" else asked(folder)
    assert ("mm to the pith" in words) == bool(found)


@pytest.mark.parametrize(("height", "slip"), [(3, True), (300, True), (60, False)])
def test_a_height_with_a_nought_too_many(tmp_path, height, slip):
    trees = trees_of(AGES[:8])
    cores = cores_of(trees, AGES[:8])
    cores[3]["height_cm"] = height
    words = asked(survey(tmp_path, trees=trees, cores=cores))
    assert ("a nought is missing" in words) == slip


def test_a_diameter_without_its_decimal_mark_and_a_core_named_after_another_tree(tmp_path):
    trees = trees_of(AGES[:8])
    cores = cores_of(trees, AGES[:8])
    trees[5]["dbh_cm"] = 124
    cores[2]["core"] = f"{trees[7]['tree']}b"
    words = asked(survey(tmp_path, trees=trees, cores=cores))
    assert "lost decimal mark" in words and "named after another tree" in words


@pytest.mark.parametrize("core", ["GH1-{tree:02d}A", "GH-1-{tree}", "GH1-{tree}b"])
def test_a_core_named_after_a_tree_of_another_plot(tmp_path, core):
    trees = trees_of(AGES[:10])
    cores = cores_of(trees, AGES[:10])
    for place, (tree, own) in enumerate(zip(trees, cores, strict=True)):
        own |= {"core": core.format(tree=place + 1), "tree": f"GH-1-{place + 1}"}
        tree["tree"] = own["tree"]
    assert "named after another tree" not in asked(survey(tmp_path / "1", trees=trees, cores=cores))
    # the core of tree 3 of the other plot
    trees[9]["tree"], cores[9]["tree"] = "GH-2-3", "GH-1-3"
    cores[9]["core"] = core.format(tree=3).replace("1", "2", 1)
    assert "named after another tree" in asked(survey(tmp_path / "2", trees=trees, cores=cores))


@pytest.mark.parametrize(
    "note, words", [("cored", True), ("not cored", False), ("cored in 2019 by others", False)]
)
def test_a_remark_on_a_core_that_is_not_listed(tmp_path, note, words):
    trees = trees_of(AGES[:6])
    cores = cores_of(trees, AGES[:6], chosen=[0, 1])
    trees[0]["note"] = "cored"  # and listed
    trees[4]["note"] = note
    said = asked(survey(tmp_path, trees=trees, cores=cores))
    assert ("give its core a row in cores" in said) == words


def test_a_crossdated_reading_beside_a_count_is_asked_about(tmp_path):
    folder = one_core(tmp_path, dating="counted")
    cores = cores_of(trees_of(AGES[:10]), AGES[:10], chosen=[6])
    reading = f"core,reader,first_ring_year,dating\n{cores[0]['core']},B,{YEAR - 60},crossdated\n"
    (folder / "core_readings.csv").write_text(reading)
    assert "Exchange the two" in asked(folder)


def test_a_doubt_of_a_crossdated_year_is_not_dropped_without_a_word(tmp_path):
    folder = one_core(tmp_path / "sure", dating="crossdated", count_sd="3")
    (warned,) = [each for each in read_survey(folder).warnings if each.column == "count_sd"]
    assert "crossdated_back_to_year" in str(warned)
    folder = one_core(tmp_path / "counted", dating="counted", count_sd="3")
    assert not any(each.column == "count_sd" for each in read_survey(folder).warnings)
