"""`standage delays`: what it writes, and what it refuses."""

import pandas as pd
import pytest
from click.testing import CliRunner
from good_survey import write_survey

from standage.commands.cli import main
from standage.commands.command_group import BAD_INPUT
from standage.errors import StandageError
from standage.profiles import load_profile
from standage.stand.build import build_stands
from standage.survey.reading import read_survey

pytestmark = pytest.mark.filterwarnings("ignore::standage.profiles.UncheckedProfile")


def standage(*arguments, code=0):
    result = CliRunner().invoke(main, [str(each) for each in ("delays", *arguments)])
    assert result.exit_code == code, result.output
    return result.output


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    folder = tmp_path_factory.mktemp("delays")
    survey = write_survey(folder / "survey")
    rows = [
        "stem,stand,known_from,still_in_grass,age_years,grass_years,height_cm,"
        "rings_at_ground,rings_at_height"
    ]
    rows += [f"n{one},north,tagged,,12,{grass},,," for one, grass in enumerate((8, 9, 11, 7, 10))]
    rows += ["s1,south,records,yes,9,,,,", "s2,south,rings,no,,,60,9,3"]
    (survey / "known_age_stems.csv").write_text("\n".join(rows), encoding="utf-8")
    out = folder / "own" / "longleaf-pine.toml"
    return survey, out, standage(survey, "--out", out)


def test_table_picture_and_profile_are_written(measured):
    _, out, shown = measured
    assert "6 stems say something of the grass stage, 1 of the growth above it, in 2" in shown
    table = pd.read_csv(out.with_name("longleaf-pine-years.csv"), keep_default_na=False)
    assert list(table["about"].unique()) == ["region", "another stand", "stand"]
    assert set(table.loc[table["about"] == "stand", "stand"]) == {"north", "south"}
    region = table[table["about"] == "region"]
    assert region["mean_years"].is_monotonic_increasing
    assert (region["mean_years"] > region["before_mean_years"]).all()
    assert (table["stems_about_grass"] + table["stems_about_growth"]).max() == 7
    assert out.with_name("longleaf-pine-years.png").read_bytes()[1:4] == b"PNG"


def test_the_profile_says_how_many_stems_of_which_survey(measured):
    survey, out, _ = measured
    own, shipped = load_profile("longleaf-pine", out.parent), load_profile("longleaf-pine")
    changed = own.differences(shipped)
    assert own["grass_stage.median_years"] > shipped["grass_stage.median_years"]
    assert own["grass_stage.median_log_sd"] < shipped["grass_stage.median_log_sd"]
    assert all(key.startswith(("grass_stage", "height_growth")) for key in changed)
    number = own.sourced("grass_stage.median_years")
    assert number.status == "derived"
    assert "6 stems of known age, survey survey" in number.source
    assert "north 5, south 1" in number.source
    assert own.sourced("height_growth.exponent") == shipped.sourced("height_growth.exponent")


def test_stems_are_never_used_twice(measured, tmp_path):
    survey, out, _ = measured
    with pytest.raises(StandageError, match="each measurement used once"):
        build_stands(read_survey(survey), profile_folder=str(out.parent))
    # another survey, whose stems are others, may use it; so few stems it can't model at all
    other = read_survey(write_survey(tmp_path / "other"), profile_folder=str(out.parent))
    with pytest.raises(StandageError) as refused:
        build_stands(other, profile_folder=str(out.parent))
    assert "used once" not in str(refused.value)


def test_the_same_stems_give_the_same_files_and_replace_them(measured):
    survey, out, shown = measured
    before = out.read_bytes()
    assert standage(survey, "--out", out) == shown
    assert out.read_bytes() == before


def test_a_profile_of_one_stand_allows_no_others(measured, tmp_path):
    survey, _, _ = measured
    out = tmp_path / "longleaf-pine.toml"
    standage(survey, "--out", out, "--stand", "north")
    own = load_profile("longleaf-pine", tmp_path)
    assert own["grass_stage.between_stand_log_sd"] == 0.01
    assert own["grass_stage.median_years"] > 7
    refused = standage(survey, "--out", out, "--stand", "east", code=BAD_INPUT)
    assert "one of: north, south" in refused


def test_what_to_measure_is_said_where_nothing_was(tmp_path):
    survey = write_survey(tmp_path / "bare", without=["known_age_stems"])
    refused = standage(survey, "--out", tmp_path / "longleaf-pine.toml", code=BAD_INPUT)
    for word in ("known_age_stems", "grass_years", "still_in_grass", "rings_at_height"):
        assert word in refused
    assert not (tmp_path / "longleaf-pine.toml").exists()


def test_other_files_are_left_as_they_are(measured, tmp_path):
    survey, _, _ = measured
    refused = standage(survey, "--out", tmp_path / "north.toml", code=BAD_INPUT)
    assert "called longleaf-pine.toml" in refused
    own = tmp_path / "longleaf-pine.toml"
    own.write_text("# mine\n", encoding="utf-8")
    assert "left as it is" in standage(survey, "--out", own, code=BAD_INPUT)
    assert own.read_text(encoding="utf-8") == "# mine\n"
