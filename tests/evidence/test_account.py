"""Everything that a survey lists is accounted for: the numbers add up, and are those of the fit."""

import numpy as np
import pytest
from evidence.test_participation import DEMO, damaged, held_to_the_model
from hopeless_surveys import AGES, SURVEYS, cores_of, count, of, plot, trees_of
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from quick_sample import quick_sample

from standage.errors import StandageError, SurveyError
from standage.evidence.account import account
from standage.stand.build import build_stands
from standage.survey.accounted import (
    ALONE,
    IN_HISTORY,
    LEFT_OUT,
    MUCH,
    PARTS,
    TALLIED,
    lines_of_unused,
    tally,
)
from standage.survey.reading import read_survey

ENOUGH = AGES[:10]


def read(made, folder):
    return read_survey(made.write(folder))


def adds_up(survey):
    """Asserts that each thing listed is in one part, and that the fit takes what is said."""
    told = account(survey)
    listed = {
        "stems": survey.trees,
        "cores": survey.cores,
        "plots": survey.plots,
        "stage counts": survey.counts,
        "stems of known age": survey.known_age_stems,
        "events": survey.events,
    }
    for what, frame in listed.items():
        each = told.of(what)
        assert each.listed == sum(each.parts.values()) == len(frame), what
        assert each.left_out == sum(each.reasons.values()) and all(each.reasons), what
        assert str(each.listed) in str(each) or not len(frame)
    series = survey.ring_widths["core"].nunique() + len(survey.unused_series)
    assert told.of("ring series").listed == series
    try:
        built = build_stands(survey)
    except StandageError as refused:
        assert "can't be told" in str(refused)
        assert not any(told.of(what).parts[IN_HISTORY] for what in listed)
        return told
    held_to_the_model(survey, built)
    units = built.data.units
    taken = sum(len(unit.trees) + int(unit.uncored_count.sum()) for unit in units)
    assert told.of("stems").parts[IN_HISTORY] == taken
    dated = [s for s in built.stems if not s.in_process and not s.left_out_reason]
    assert told.of("stems").parts[ALONE] == len(dated)
    assert told.of("stage counts").parts[IN_HISTORY] == sum(len(u.count_value) for u in units)
    with_plots = {unit.stand for unit in units if unit.has_plots}
    assert told.of("plots").parts[IN_HISTORY] == survey.plots["stand"].isin(with_plots).sum()
    sections = sum(len(unit.section_kind) for unit in units)
    # a section may say two things: the end of the grass stage, and seasons between two heights
    assert told.of("stems of known age").parts[IN_HISTORY] <= sections
    assert sections <= 2 * told.of("stems of known age").parts[IN_HISTORY]
    return told


@pytest.mark.parametrize("name", quick_sample(SURVEYS))
def test_surveys_that_support_little_are_accounted_for(name, tmp_path):
    try:
        survey = read(SURVEYS[name](), tmp_path)
    except SurveyError:
        return
    adds_up(survey)


@pytest.mark.slow
@settings(
    max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(data=st.data())
def test_damaged_surveys_are_accounted_for(data, tmp_path_factory):
    survey = damaged(data, tmp_path_factory.mktemp("damaged"))
    if survey is not None:
        adds_up(survey)


@pytest.mark.slow
def test_the_demo_is_accounted_for_and_says_what_takes_no_part():
    told = adds_up(read_survey(DEMO))
    assert not told.complete and not told.missing
    line = told.in_a_line()
    assert "7 of 918 stems (4 dead and not cored; 3 of loblolly-pine, too few" in line
    assert "124 stems" in line and "8 of 298 cores (no ring could be read)" in line
    assert (
        "stems: 918 listed = 764 in the history + 23 dated alone + 124 tallied + 7 left out"
        in str(told)
    )
    assert told.record()["stems"]["in_the_history"] == 764


def whole(**more):
    trees = trees_of(ENOUGH)
    return {"trees": trees, "cores": cores_of(trees, ENOUGH, chosen=[2, 6])} | more


def test_a_survey_of_which_all_takes_part_is_complete(tmp_path):
    told = adds_up(read(of(**whole(counts=[count("grass", 3)])), tmp_path))
    assert told.complete and told.in_a_line() == "" and told.refusal() == ""


def test_stems_under_an_unknown_word_for_the_species_are_missed_in_numbers(tmp_path):
    """60 of 87 stems were once tallied under another word for the pine, with a clean bill."""
    trees = [*trees_of(AGES[:8] * 3), *trees_of(AGES[:5] * 12, species="LGLF", prefix="u")]
    survey = read(of(trees=trees, cores=cores_of(trees, AGES * 8, chosen=[2, 6])), tmp_path)
    told = adds_up(survey)
    assert told.of("stems").parts[TALLIED] == 60
    (missing,) = told.missing
    assert (
        missing.stand == "a" and missing.share == pytest.approx(60 / 84) and "LGLF" in missing.why
    )
    assert "--accept-left-out" in told.refusal() and "71%" in told.refusal()
    assert "60 stems" in told.in_a_line()


def test_only_species_without_a_profile_are_said_to_have_none(tmp_path):
    known = trees_of(AGES[:8] * 3)
    for tree in known[8:]:
        tree["plot"] = None
    trees = [*known, *trees_of(AGES[:5] * 2, species="LGLF", prefix="u")]
    survey = read(of(trees=trees, cores=cores_of(trees, AGES[:8] * 3, chosen=[2, 6])), tmp_path)
    (missing,) = adds_up(survey).missing
    assert missing.why.endswith("10 of LGLF (no profile)")


def test_counts_of_a_species_without_profile_or_history_are_missed(tmp_path):
    for species, part in (("Longleaf seedling", TALLIED), ("slash-pine", LEFT_OUT)):
        counts = [count("grass", 30, species=species), count("sapling", 4)]
        told = adds_up(read(of(**whole(counts=counts)), tmp_path / part))
        assert told.of("stage counts").parts[part] == 1 and not told.complete
        assert told.missing[0].what == "plants counted"
        assert told.missing[0].share == pytest.approx(30 / 34)
    none = [count("sapling", 0, species="slash-pine"), count("sapling", 4)]
    assert not adds_up(read(of(**whole(counts=none)), tmp_path / "none")).missing


def test_stems_that_lost_their_plot_are_missed(tmp_path):
    """A plot's name written in the first row of its group only."""
    trees = trees_of(AGES[:8] * 3)
    for tree in trees[8:]:
        tree["plot"] = None
    survey = read(of(trees=trees, cores=cores_of(trees, AGES[:8] * 3, chosen=[2, 6])), tmp_path)
    told = adds_up(survey)
    assert "outside the plots and not cored" in told.in_a_line()
    assert told.missing[0].share == pytest.approx(16 / 24)


def test_a_few_trees_outside_the_plots_are_no_reason_to_stop(tmp_path):
    trees = [*trees_of(ENOUGH), *trees_of(AGES[-3:], plot=None, prefix="old")]
    cores = cores_of(trees, [*ENOUGH, *AGES[-3:]], chosen=[2, 6, 10, 11, 12])
    told = adds_up(read(of(trees=trees, cores=cores), tmp_path))
    assert told.of("stems").parts[ALONE] == 3 and told.complete and not told.missing


def test_cored_stems_whose_diameter_is_lost_are_dated_alone(tmp_path):
    made = whole()
    made["trees"][2]["dbh_cm"] = None
    survey = read(of(**made), tmp_path)
    told = adds_up(survey)
    assert told.of("stems").parts[ALONE] == 1 and told.complete and not told.missing
    assert any("1 live stem in plots without a diameter, dated" in note for note in survey.notes)


def test_an_uncored_stem_whose_diameter_is_lost_is_left_out_by_name(tmp_path):
    made = whole()
    cored = {core["tree"] for core in made["cores"]}
    place = next(at for at, tree in enumerate(made["trees"]) if tree["tree"] not in cored)
    made["trees"][place]["dbh_cm"] = "N/A"
    survey = read(of(**made), tmp_path)
    told = adds_up(survey)
    (left,) = told.of("stems").unused
    assert (left.name, left.row) == (made["trees"][place]["tree"], place + 2)
    assert (left.part, left.reason) == (LEFT_OUT, "in a plot, with neither diameter nor core")
    assert any(f"nor in the basal area: {left.name}" in note for note in survey.notes)


def test_all_that_takes_no_part_has_its_name_and_row():
    told = account(read_survey(DEMO))
    for each in (told.of(what) for what in ("stems", "cores", "stage counts")):
        assert len(each.unused) == each.parts[LEFT_OUT] + each.parts[TALLIED]
    lines = lines_of_unused(told.tallies)
    named = [one for each in told.tallies for one in each.unused]
    assert named and all(
        any(f"{one.name} (row {one.row})" in line and one.part in line for line in lines)
        for one in named
    )


def test_basal_area_counts_where_few_thick_stems_are_left_out(tmp_path):
    trees = [*trees_of(ENOUGH), *trees_of((200, 200), species="pond-pine", prefix="u", dbh_cm=70)]
    told = adds_up(read(of(trees=trees, cores=cores_of(trees, ENOUGH, chosen=[2, 6])), tmp_path))
    assert told.missing[0].what == "basal area of the live stems"
    stems = np.array([tree["dbh_cm"] for tree in trees]) ** 2
    assert told.missing[0].share == pytest.approx(stems[-2:].sum() / stems.sum())


def test_dead_stems_are_not_missed_from_the_living_stand(tmp_path):
    trees = [*trees_of(ENOUGH), *trees_of(ENOUGH, status="dead", prefix="d")]
    told = adds_up(read(of(trees=trees, cores=cores_of(trees, ENOUGH, chosen=[2, 6])), tmp_path))
    assert told.of("stems").reasons == {"dead and not cored": 10} and not told.missing


def test_events_after_the_survey_and_of_stands_without_history_are_left_out(tmp_path):
    told = adds_up(read(SURVEYS["events after the survey"](), tmp_path))
    assert told.of("events").reasons == {"after the survey": 2}


def test_plots_of_a_stand_without_listed_stems_are_left_out(tmp_path):
    made = of(
        **whole(
            plots=[plot(), plot("b1", "b")],
            stands=[
                *SURVEYS["no core"]().tables["stands"].to_dict("records"),
                {"stand": "b", "survey_date": "2020-11-20"},
            ],
        )
    )
    told = adds_up(read(made, tmp_path))
    assert told.of("plots").left_out == 1 and told.of("plots").parts[IN_HISTORY] == 1


def test_a_tally_is_a_line_that_adds_up():
    each = tally(
        "stems",
        [IN_HISTORY] * 3 + [LEFT_OUT] * 3 + [TALLIED],
        ["", "", "", "dead and not cored", "dead and not cored", "no ring", ""],
    )
    assert str(each) == (
        "stems: 7 listed = 3 in the history + 1 tallied + 3 left out (2 dead and not cored; 1 no"
        " ring)"
    )
    assert tuple(each.parts) == PARTS and 0 < MUCH < 1
