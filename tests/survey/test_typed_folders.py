"""Three surveys of several sheets as three crews typed them: what is asked in the first round of
`check`, and that the advice, followed as printed, gives what was meant in the second.
"""

import csv
import shutil
from pathlib import Path

import pytest
from good_survey import problems_of

from standage.survey.reading import read_survey
from standage.survey.readings import RefusedSurvey

SHEETS = Path(__file__).parent / "typed_sheets"


class Sheet:
    """The rows of one file, written when the block ends. Rows and columns count from 1."""

    def __init__(self, path: Path):
        self.path = path

    def __enter__(self):
        with self.path.open(encoding="utf-8", newline="") as file:
            self.rows = list(csv.reader(file))
        return self

    def __exit__(self, *_):
        with self.path.open("w", encoding="utf-8", newline="") as file:
            csv.writer(file, lineterminator="\n").writerows(self.rows)

    def add_column(self, heading_row: int, heading: str, cells: dict[int, object]) -> None:
        for number, row in enumerate(self.rows, 1):
            row.append(heading if number == heading_row else str(cells.get(number, "")))


def copied(name: str, folder: Path) -> Path:
    return Path(shutil.copytree(SHEETS / name, folder / name))


def asked(path: Path) -> list[tuple]:
    return [(each.file, each.row, each.column) for each in problems_of(path)]


def doubted(path: Path) -> list[str]:
    with pytest.raises(RefusedSurvey) as refused:
        read_survey(path)
    return [str(each) for each in refused.value.warnings]


def test_four_plots_with_cores_and_a_history_below_the_counts(tmp_path):
    path = copied("block", tmp_path)
    assert asked(path) == [
        ("Cores.csv", 16, "height_cm"),
        ("Cores.csv", 20, "ring_count"),
        ("Cores.csv", 22, "first_ring_year"),
        ("Regen + history.csv", 3, "Grass stage (5x5)"),
        ("Regen + history.csv", 3, "Rocket / bottlebrush (20x20)"),
        ("Regen + history.csv", 12, "first_year"),
        ("Regen + history.csv", 16, "first_year"),
    ]
    assert len(doubted(path)) == 2
    with Sheet(path / "Cores.csv") as cores:
        cores.rows[19][2] = "70"
        cores.add_column(4, "coring height (cm)", {16: 91.44})
        cores.add_column(4, "count_sd", {20: 5, 8: 3})
        del cores.rows[21]
    with Sheet(path / "Tree tally.csv") as trees:
        trees.add_column(5, "core_outcome", {52: "unreadable"})
    with Sheet(path / "Regen + history.csv") as counts:
        counts.rows[2][1:3] = ["Grass stage (5 x 5 m)", "Rocket / bottlebrush (20 x 20 m)"]
        counts.rows[11][1], counts.rows[15][1] = "1936-1940", "1956-1995"
        del counts.rows[17]
    survey = read_survey(path)
    assert not survey.warnings
    assert survey.trees["species"].value_counts().to_dict() == {
        "longleaf-pine": 38,
        "slash-pine": 7,
        "water oak": 2,
    }
    assert survey.trees["status"].tolist().count("live") == 44
    assert survey.plots["area_m2"].tolist() == [400] * 4
    assert survey.plots["min_dbh_cm"].round(2).tolist() == [10.16] * 4
    cores = survey.cores.set_index("tree")
    assert len(cores) == 17 and cores["height_cm"].round(2).value_counts()[45.72] == 16
    assert round(cores["height_cm"]["230"], 2) == 91.44
    assert cores["rings_to_pith"][["201", "203", "240"]].tolist() == [2, 0, 3]
    plants = survey.counts.groupby("stage")["count"].sum().to_dict()
    assert plants == {"grass": 39, "emerging": 21}
    assert survey.counts["area_m2"].tolist() == [25, 400] * 4
    kinds = survey.events["kind"].value_counts().to_dict()
    assert kinds == dict(fire=8, logging=1, storm=1, turpentining=1) | {"fire-exclusion": 1}


def test_three_sheets_of_plots_with_cores_named_by_them(tmp_path):
    path = copied("plots", tmp_path)
    assert asked(path) == [("Regen.csv", 3, "area_m2"), ("Regen.csv", 4, "count")]
    history = next(each for each in doubted(path) if "events: none" in each)
    assert "Wildfire in spring 1954" in history and "kind, stand, first_year" in history
    with Sheet(path / "Regen.csv") as counts:
        counts.add_column(3, "area (ac)", {4: "1/100", **dict.fromkeys((5, 6, 7), "1/10")})
        counts.rows[3][3] = "60"
        counts.rows[9][0] = "- = none"
    for plot, row in ((1, 19), (2, 20), (3, 21)):
        with Sheet(path / f"Plot {plot}.csv") as trees:
            trees.add_column(7, "Status", {row: "dead"})
    with Sheet(path / "Cores.csv") as cores:
        del cores.rows[26:28]
    (path / "events.csv").write_text(
        "kind,first_year,last_year,note\nlogging,1923,1927,about 1925\nfire,1954,1954,\n"
    )
    left = [str(each) for each in read_survey(path).warnings]
    assert len(left) == 1 and "Big storm in Sept. 1979" in left[0]
    with Sheet(path / "Notes.csv") as notes:
        del notes.rows[2:7]
    survey = read_survey(path)
    assert not survey.warnings
    assert survey.trees["plot"].value_counts().tolist() == [18, 16, 15]
    assert survey.trees["status"].tolist().count("dead") == 3
    cores = survey.cores.set_index("tree")
    assert len(cores) == 22 and cores.index[0] == "Plot 1-1"
    assert cores["rings_to_pith"]["Plot 3-4"] == 10 and cores["centre"]["Plot 3-6"] == "pith"
    assert cores["core_date"].dt.strftime("%m-%d")["Plot 3-1"] == "11-19"
    assert len(survey.core_readings) == 21
    areas = survey.counts.groupby("stage")["area_m2"].first().round(1).to_dict()
    assert areas["germinant"] == 40.5 and areas["grass"] == 404.7
    assert survey.counts["count"].sum() == 14 + 3 + 60 + 38 + 22 + 71 + 6 + 11 + 4 + 2
    assert survey.events["first_year"].tolist() == [1923, 1954]


def test_days_in_the_titles_of_sheets_are_those_of_their_cores(tmp_path):
    path = copied("plots", tmp_path)
    with Sheet(path / "Cores.csv") as cores:
        for row in cores.rows:
            row[4:5] = []
        del cores.rows[26:28]
    with Sheet(path / "Regen.csv") as counts:
        counts.add_column(3, "area (ac)", dict.fromkeys((4, 5, 6, 7), "1/10"))
        counts.rows[3][3] = "60"
    survey = read_survey(path)
    assert survey.stands["survey_date"].dt.strftime("%m-%d").tolist() == ["11-19"]
    days = survey.cores.set_index("tree")["core_date"].dt.strftime("%m-%d")
    assert days[["Plot 1-1", "Plot 2-1", "Plot 3-1"]].tolist() == ["03-12", "03-13", "11-19"]
    assert any("'* germinants on the 1/100-ac ring" in str(each) for each in survey.warnings)


def test_two_stands_with_cores_beside_their_stems(tmp_path):
    path = copied("strips", tmp_path)
    assert asked(path) == [
        ("strips.csv", 2, None),
        ("events.csv", 2, "kind"),
        ("events.csv", 2, "first_year"),
        ("events.csv", 5, "kind"),
        ("events.csv", 6, "kind"),
        ("events.csv", 7, "kind"),
    ]
    with Sheet(path / "stems.csv") as stems:
        stems.rows[29][9] = "30"
    with Sheet(path / "events.csv") as events:
        kinds = {2: "logging", 5: "other", 6: "fire-resumed", 7: "storm"}
        for row, kind in kinds.items():
            events.rows[row - 1][2] = kind
        events.rows[1][0] = "1921-1927"
    (path / "strips.csv").unlink()
    survey = read_survey(path)
    assert not survey.warnings and len(survey.trees) == 55 and len(survey.cores) == 25
    assert survey.trees["species"].value_counts()["slash-pine"] == 13
    assert survey.cores["dating"].value_counts().to_dict() == {"crossdated": 17, "counted": 8}
    assert survey.cores["pith_distance_mm"].notna().sum() == 12
    assert not any("pith_distance_mm?" in note for note in survey.notes)


@pytest.mark.parametrize(
    ("line", "read"),
    [
        ("Plots: 0.1 ha each, stems of 5 cm dbh and up", True),
        ("Weather was fine on all days", False),
    ],
)
def test_a_sheet_of_notes_of_one_line(tmp_path, line, read):
    path = copied("block", tmp_path)
    with Sheet(path / "Tree tally.csv") as trees:
        trees.rows[2][0] = ""
    (path / "Notes.csv").write_text(f'"{line}"\n')
    lacking = [each for each in problems_of(path) if "a row for each of its plots" in str(each)]
    assert bool(lacking) is not read
