"""What was read differently stands below the problems of a survey that is refused."""

from click.testing import CliRunner
from good_survey import write_survey

from standage.causes import FIRST_SCREEN
from standage.commands.cli import BAD_INPUT, main

LIBERTIES = [
    ("trees", 0, "species", "P. palustris"),
    ("trees", 0, "status", "Alive"),
    ("trees", 1, "dbh_cm", "12 in"),
    ("cores", 0, "height_cm", "1 ft"),
    ("cores", 0, "centre", "near pith"),
    ("stands", 0, "survey_date", "7/14/2021"),
    ("plots", 0, "area_m2", "0.1 ha"),
    ("counts", 0, "stage", "gs"),
    ("events", 0, "kind", "harvest"),
]


def check(folder, *options):
    return CliRunner().invoke(main, ["check", str(folder), *options])


def test_a_refusal_shows_its_problems_and_then_its_readings(tmp_path):
    folder = write_survey(
        tmp_path / "s", changes=[*LIBERTIES, ("trees", 2, "dbh_cm", "forty or so")]
    )
    text = check(folder).output
    assert text.index("'forty or so'") < text.index("read differently from what was written")
    assert len(text.splitlines()) <= FIRST_SCREEN
    whole = check(folder, "--all")
    assert whole.exit_code == BAD_INPUT
    assert all(f"'{written}' read as" in whole.output for *_, written in LIBERTIES)


def test_many_problems_leave_room_for_some_readings(tmp_path):
    wrong = [(name, 0, column, "zzz") for name, column in _numbers()]
    text = check(write_survey(tmp_path / "s", changes=[*LIBERTIES, *wrong])).output
    assert "read as" in text and "more: --all" in text and len(text.splitlines()) <= FIRST_SCREEN


def _numbers():
    columns = "bark_mm arc_chord_mm arc_height_mm inner_ring_mm core_length_mm count_sd"
    columns += " diameter_at_core_cm pith_distance_mm rings_to_pith last_ring_year"
    yield from (("cores", column) for column in columns.split())
    yield from (("trees", column) for column in ["x_m", "y_m", "death_year", "planted_year"])
    yield from (("stands", column) for column in ["area_ha", "latitude", "longitude"])
    yield from (("events", column) for column in ["ended_year", "share_removed"])
