"""What `standage check` prints: all well only where all is; a screen of 25 lines, worst first."""

import json
from dataclasses import replace

import pytest
from click.testing import CliRunner
from good_survey import write_survey
from hopeless_surveys import AGES, cores_of, of, trees_of

from standage.causes import FIRST_SCREEN, height_of
from standage.commands.check_text import check_text
from standage.commands.cli import BAD_INPUT, main
from standage.commands.taken_in import readings_writer
from standage.evidence.account import account
from standage.problems import Problem
from standage.survey.reading import read_survey
from standage.survey.readings import Reading

DEMO = "demo/longleaf-survey"


def check(*words, exit_code=0) -> str:
    ran = CliRunner().invoke(main, ["check", *map(str, words)])
    assert ran.exit_code == exit_code, ran.output
    return ran.output.rstrip("\n")


def whole(folder):
    """A survey of which all takes part."""
    trees = trees_of(AGES[:10])
    return of(trees=trees, cores=cores_of(trees, AGES[:10], chosen=[2, 6])).write(folder)


def test_no_problems_are_said_to_be_found_only_where_all_takes_part(tmp_path):
    assert check(whole(tmp_path / "whole")).endswith("\nNo problems found.")
    printed = check(DEMO)
    assert "No problems found" not in printed
    assert printed.splitlines()[0].startswith("Not everything takes part. Left out: 7 of 918 stems")
    assert printed.splitlines()[-1] == "No mistakes found. What takes no part is in the first line."


def test_years_of_rings_without_a_word_on_crossdating_keep_the_clean_bill_back(tmp_path):
    trees = trees_of(AGES[:10])
    cores = cores_of(trees, AGES[:10], chosen=[2, 6], dating="")
    printed = check(of(trees=trees, cores=cores).write(tmp_path / "undated"))
    assert printed.splitlines()[0].startswith("2 cores have a first ring year and no word on")
    assert "No problems found" not in printed


def test_a_history_lost_for_one_diameter_is_said_first(tmp_path):
    trees = trees_of(AGES[:8])
    trees[2]["dbh_cm"] = "N/A"
    folder = of(trees=trees, cores=cores_of(trees, AGES[:8], chosen=[2, 6])).write(tmp_path)
    first = check(folder).splitlines()[0]
    assert "7 stems have a diameter and 8 are needed" in first and trees[2]["tree"] in first


def test_oaks_among_pines_stop_no_run(tmp_path):
    trees = [*trees_of(AGES[:8]), *trees_of(AGES[:6], species="turkey oak", prefix="u")]
    folder = of(trees=trees, cores=cores_of(trees, AGES[:8], chosen=[2])).write(tmp_path)
    printed = check(folder)
    assert "will stop" not in printed and "6 turkey oak" in printed


def test_a_stand_of_which_much_is_missing_ends_the_check_with_what_run_will_do(tmp_path):
    trees = [*trees_of(AGES[:8]), *trees_of(AGES[:6], species="unnamed", prefix="u")]
    folder = of(trees=trees, cores=cores_of(trees, AGES[:8], chosen=[2])).write(tmp_path)
    last = check(folder).splitlines()[-1]
    assert last.startswith("`standage run` will stop") and "a: 43% of the live stems" in last
    assert "--accept-left-out" in last


@pytest.mark.parametrize("width", [80, 100, 160])
def test_the_first_screen_of_a_survey_with_much_to_tell_is_25_lines(width):
    survey = read_survey(DEMO)
    warnings = [
        Problem("cores.csv", row, f"column{kind}", f"'{row}'", "less", "Look it up.")
        for kind in range(30)
        for row in range(2, 9)
    ]
    readings = [
        Reading("trees.csv", row, f"column{kind}", "NA", "", "no value")
        for kind in range(30)
        for row in range(2, 9)
    ]
    told = account(survey)
    survey = replace(survey, warnings=tuple(warnings), readings=tuple(readings))
    printed = check_text(survey, told, width=width)
    assert sum(height_of(line, width) for line in printed.splitlines()) <= FIRST_SCREEN
    assert "look wrong, used as written" in printed and "--all" in printed
    everything = check_text(survey, told, in_full=True)
    assert everything.count("Look it up.") == len(warnings)
    assert everything.count("'NA' read as ''") == 30
    for note in survey.notes:
        assert note in everything


def test_warnings_keep_the_clean_bill_back(tmp_path):
    survey = read_survey(whole(tmp_path))
    told = account(survey)
    odd = Problem("plots.csv", 2, "area_m2", "0.4", "more", "Look it up.")
    printed = check_text(replace(survey, warnings=(odd,)), told)
    assert printed.splitlines()[-1] == "No mistakes found, but 1 entry looks wrong."
    assert str(odd) in printed


def test_identical_changes_are_one_line_with_their_rows(tmp_path):
    survey = read_survey(whole(tmp_path))
    readings = tuple(
        Reading("trees.csv", row, "species", "Longleaf", "longleaf-pine", "name of the species")
        for row in (2, 3, 4, 7)
    )
    printed = check_text(replace(survey, readings=readings), account(survey))
    line = "trees.csv, column species, rows 2-4, 7: 'Longleaf' read as 'longleaf-pine'"
    assert line in printed and printed.count("Longleaf'") == 1


def test_all_shows_each_problem_of_a_survey_that_is_refused(tmp_path):
    changes = [("trees", place, "dbh_cm", "thick") for place in range(3)]
    folder = write_survey(tmp_path, changes=changes)
    folded = CliRunner().invoke(main, ["check", str(folder)])
    full = CliRunner().invoke(main, ["check", str(folder), "--all"])
    assert folded.exit_code == full.exit_code == BAD_INPUT
    assert folded.stderr.count("'thick'") == 1 and "3 times (rows 2-4)" in folded.stderr
    assert full.stderr.count("'thick'") == 3


def test_all_names_what_takes_no_part_and_so_does_a_file(tmp_path):
    trees = trees_of(AGES[:10])
    trees[3]["species"] = "oak"
    folder = of(trees=trees, cores=cores_of(trees, AGES[:10], chosen=[2, 6])).write(tmp_path / "s")
    name = f"{trees[3]['tree']} (row 5)"
    assert name in check(str(folder), "--all") and name not in check(str(folder))
    survey = read_survey(folder)
    readings_writer(survey.readings, account(survey))(tmp_path)
    rows = (tmp_path / "left_out.csv").read_text().splitlines()
    assert rows[0] == "what,name,row,part,reason,sheet"
    assert any(row.startswith(f"stems,{trees[3]['tree']},5,tallied,") for row in rows[1:])


def test_what_takes_no_part_names_its_sheet_where_there_are_several(tmp_path):
    for plot, dead in (("A1", "L"), ("A2", "D")):
        wide = 20 if dead == "L" else 22.5
        rows = [f"{tree},LLP,{wide + tree},L,30,{60 + tree},arcs" for tree in range(1, 10)]
        rows += [f"10,LLP,30,{dead},,,"]
        title = '"Ash tract 2021-02-10, 0.1 ha plots, stems from 5 cm dbh",,,,,,'
        head = "Tree,Sp,DBH cm,L/D,CoreHt_cm,Rings,Pith"
        (tmp_path / f"{plot}.csv").write_text("\n".join([title, head, *rows]) + "\n")
    survey = read_survey(tmp_path)
    (dead_one,) = account(survey).of("stems").unused
    assert (dead_one.row, dead_one.sheet) == (12, "A2")


def test_what_looks_wrong_is_counted_beside_problems(tmp_path):
    trees = trees_of(AGES[:10])
    cores = cores_of(trees, AGES[:10], chosen=[2, 6])
    trees[2]["note"], trees[5]["dbh_cm"] = "dead in spring", "thick"
    folder = of(trees=trees, cores=cores).write(tmp_path / "s")
    refused, full = (check(str(folder), *words, exit_code=BAD_INPUT) for words in ((), ("--all",)))
    assert "wrong, too" in refused and "dead in spring" in full


def test_species_without_a_profile_are_learnt_of_all_sheets_at_once(tmp_path):
    changes = [
        ("trees", 2, "species", "oak"),
        ("counts", 0, "species", "fir"),
        ("known_age_stems", 0, "species", "elm"),
    ]
    note = (
        "1 stem, 1 row of counts and 1 stem of known age of species without a profile, tallied"
        " only: 1 oak, 1 fir, 1 elm"
    )
    assert note in check(write_survey(tmp_path / "read", changes=changes), "--all")
    refused = [*changes, ("trees", 0, "dbh_cm", "many")]
    assert note in check(write_survey(tmp_path / "refused", changes=refused), exit_code=BAD_INPUT)
    unknown = [*changes, ("trees", 0, "species", "ash"), ("trees", 1, "species", "ash")]
    words = check(write_survey(tmp_path / "none", changes=unknown), exit_code=BAD_INPUT)
    assert "'ash', 'oak', 'fir', 'elm'" in words


def test_a_profile_that_ages_refuses_is_refused_by_check(tmp_path):
    """Only its name was once looked at."""
    profiles = tmp_path / "profiles"
    profiles.mkdir()
    (profiles / "longleaf-pine.toml").write_text('key = "longleaf-pine"\n')
    survey = whole(tmp_path / "survey")
    said = []
    for command in (["check"], ["ages", "--csv", str(tmp_path / "ages.csv")]):
        ran = CliRunner().invoke(main, [*command, str(survey), "--profiles", str(profiles)])
        assert ran.exit_code == BAD_INPUT, ran.output
        said.append(ran.stderr)
    assert said[0] == said[1] and "longleaf-pine" in said[0]


@pytest.fixture
def missing(tmp_path):
    """A survey of which six in fourteen stems have a species that nobody knows."""
    trees = [*trees_of(AGES[:8]), *trees_of(AGES[:6], species="pond-tree", prefix="u")]
    return of(trees=trees, cores=cores_of(trees, AGES[:8], chosen=[2])).write(tmp_path / "survey")


def test_run_stops_where_much_of_a_stand_takes_no_part(missing, tmp_path):
    ran = CliRunner().invoke(main, ["run", str(missing), "--out", str(tmp_path / "out")])
    assert ran.exit_code == BAD_INPUT and not (tmp_path / "out").exists()
    assert "43%" in ran.stderr and "--accept-left-out" in ran.stderr


@pytest.mark.slow
def test_one_option_goes_on_and_the_account_is_told_in_run_report_and_provenance(missing, tmp_path):
    out = tmp_path / "out"
    short = ["--draws", "50", "--chains", "2", "--accept-left-out"]
    ran = CliRunner().invoke(main, ["run", str(missing), "--out", str(out), *short])
    assert ran.exit_code in (0, 3), ran.output
    line = "stems: 14 listed = 8 in the history + 6 tallied"
    assert line in ran.output
    record = json.loads((out / "provenance.json").read_text())
    assert record["accounted_for"]["stems"]["tallied"] == 6
    assert record["options"]["accept_left_out"] is True
    assert line in (out / "report.html").read_text()


def test_ages_accounts_for_the_same(missing, tmp_path):
    ran = CliRunner().invoke(main, ["ages", str(missing), "--csv", str(tmp_path / "ages.csv")])
    assert "stems: 14 listed = 8 in the history + 6 tallied" in ran.output


def test_a_column_that_nobody_knows_keeps_the_clean_bill_back_unless_set_aside(tmp_path):
    folder = whole(tmp_path / "survey")
    trees = folder / "trees.csv"
    head, *rows = trees.read_text().splitlines()
    trees.write_text("\n".join([f"{head},lean", *(f"{row},5 deg" for row in rows)]) + "\n")
    printed = check(folder)
    assert printed.splitlines()[0] == "trees.csv: column lean not known, kept and not used"
    assert "No problems found" not in printed and "NOT ALL IS READ" in printed
    (folder / "columns.toml").write_text(
        '[[sheet]]\nname = "trees.csv"\nholds = "trees"\n[sheet.columns]\n"lean" = ""\n'
    )
    assert check(folder).endswith("\nNo problems found.")


def test_remarks_beside_tables_that_have_none_are_no_fault(tmp_path):
    folder = whole(tmp_path)
    stands = folder / "stands.csv"
    head, *rows = stands.read_text().splitlines()
    stands.write_text("\n".join([f"{head},crew", *(f"{row},two" for row in rows)]) + "\n")
    assert check(folder).endswith("\nNo problems found.")
