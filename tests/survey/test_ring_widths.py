"""Ring widths in: the decadal format with its traps, series matched to cores, what cores.csv leaves
blank, and contradictions.
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from standage.errors import SurveyError
from standage.survey.reading import read_survey
from standage.survey.rings.decadal_format import read_decadal


def line(name: str, year: int, *widths: int) -> str:
    return f"{name:<8}{year:4d}" + "".join(f"{width:6d}" for width in widths)


def decadal(name: str, first_year: int, widths, end: int = 999) -> list[str]:
    """Lines of a series as the format lays them out, broken at the decades; the end mark on its own
    line after a full decade.
    """
    values, year, lines = [*widths, end], first_year, []
    while values:
        room = 10 - year % 10
        lines.append(line(name, year, *values[:room]))
        values, year = values[room:], year + room
    return lines


HEADER = [
    "SIT    1 A SITE 2001                                        PIPA",
    "SIT    2 Somewhere    Longleaf Pine       50M  3000-08500  1801 2001",
    "SIT    3 SOME PEOPLE",
]


def read(lines, *, ends: str = "\n"):
    text = lines if isinstance(lines, str) else ends.join(lines) + ends
    return read_decadal("rings/site.rwl", text.encode("latin-1"))


def widths_of(found) -> dict[str, dict[int, float]]:
    assert not found.problems, "\n".join(map(str, found.problems))
    return {
        series.name: {
            part.first_year + place: float(width)
            for part in series.parts
            for place, width in enumerate(part.widths_mm)
        }
        for series in found.series
    }


def years(first_year: int, widths, unit: float = 0.01) -> dict[int, float]:
    return {first_year + place: round(width * unit, 3) for place, width in enumerate(widths)}


A = [90, 145, 0, 210, 41, 133, 128, 250, 75, 160, 305, 1015, 6]
PLAIN = decadal("14_05", 1972, A)


@pytest.mark.parametrize("ends", ["\n", "\r\n", "\r", "\r\r\n"], ids=["LF", "CRLF", "CR", "CRCRLF"])
@pytest.mark.parametrize(
    "above",
    [
        [],
        HEADER,
        HEADER + HEADER,
        ["# a remark with 1990 12 13", ""],
        ["A site without any form, 1995"],
    ],
    ids=["no header", "header", "twice", "remark", "words"],
)
def test_headers_and_line_ends_change_nothing(ends, above):
    assert widths_of(read(above + PLAIN, ends=ends)) == {"14_05": years(1972, A)}


def test_widths_are_the_decimal_figures_themselves():
    found = read(
        decadal("A", 1990, [29, 57, 1, 115]) + decadal("B", 1990, [29, 57, 1, 115], end=-9999)
    )
    assert found.series[0].parts[0].widths_mm.tolist() == [0.29, 0.57, 0.01, 1.15]
    assert found.series[1].parts[0].widths_mm.tolist() == [0.029, 0.057, 0.001, 0.115]


NAMES = ["A", "14_05", "17_204N", "PNE 12", "SITE1234", "12345678", "22 1 A"]


@pytest.mark.parametrize("name", NAMES)
def test_names_with_blanks_and_names_that_run_into_the_year(name):
    assert widths_of(read(HEADER + decadal(name, 1843, range(100, 125)))) == {
        name: years(1843, range(100, 125))
    }


def test_the_end_mark_of_a_series_gives_its_unit_and_999_is_a_width_in_thousandths():
    values = [999, 1200, 999, 1999, 1, 50, 60, 70, 80, 999, 999, 1234]
    lines = decadal("A", 1990, values, end=-9999) + decadal("B", 1990, [10, 20])
    assert widths_of(read(lines)) == {"A": years(1990, values, 0.001), "B": years(1990, [10, 20])}


@pytest.mark.parametrize("end", [999, -9999])
def test_an_end_mark_in_an_eleventh_place_or_on_its_own_line(end):
    ten = list(range(50, 60))
    expected = {"A": years(1990, ten, 0.01 if end == 999 else 0.001)}
    assert widths_of(read([line("A", 1990, *ten, end)])) == expected
    assert widths_of(read([line("A", 1990, *ten), line("A", 2000, end)])) == expected


def test_a_series_in_parts_keeps_each_part_and_its_years():
    found = read(
        decadal("A", 1950, [10] * 12)
        + decadal("A", 1970, [20] * 5)
        + decadal("B", 1990, [5])
        + decadal("A", 1930, [30] * 3)
    )
    assert [(part.first_year, part.last_year) for part in found.series[0].parts] == [
        (1930, 1932),
        (1950, 1961),
        (1970, 1974),
    ]
    assert not found.problems


def test_junk_is_passed_over_with_a_note():
    found = read(
        HEADER
        + PLAIN[:-1]
        + [PLAIN[-1] + "   checked twice", "end of the site"]
        + HEADER
        + decadal("B", 1990, [5, 6])
        + ["\x1a", "\x00"]
    )
    assert set(widths_of(found)) == {"14_05", "B"}
    assert (
        len(found.notes) == 1
        and "checked twice" in found.notes[0]
        and "end of the site" in found.notes[0]
    )


def test_zeros_after_the_mark_of_thousandths_are_padding():
    found = read([line("A", 1990, 500, 600, -9999, 0, 0)])
    assert widths_of(found) == {"A": years(1990, [500, 600], 0.001)} and "zeros" in found.notes[0]


def test_lines_out_of_their_columns_are_read_where_they_can_mean_one_thing_only():
    found = read(["PINE07 1843 210 180 165 240 195 230 175", "PINE07\t1850\t205\t999"])
    assert widths_of(found) == {"PINE07": years(1843, [210, 180, 165, 240, 195, 230, 175, 205])}
    assert "line 1" in found.notes[0] and "2 lines" in found.notes[0]


def test_the_same_series_twice_is_read_once():
    found = read(PLAIN + PLAIN)
    assert widths_of(found) == {"14_05": years(1972, A)} and "twice" in found.notes[0]


# (lines, line of the problem, a word it must say)
REFUSED = {
    "no end mark": (
        [*decadal("A", 1990, [5] * 4)[:-1], line("A", 1990, 5, 5)],
        1,
        "without an end mark",
    ),
    "no end mark, next series": ([line("A", 1990, 5, 5), *decadal("B", 1990, [5])], 1, "unit"),
    "9999 as an end mark": ([line("A", 1990, 5, 5, 9999)], 1, "9999 is none"),
    "999 in the middle": ([line("A", 1990, 5, 999, 5, 999)], 1, "9.99 mm"),
    "999 at the end of a decade": (
        [line("A", 1998, 5, 999), line("A", 2000, 6, 999)],
        1,
        "9.99 mm",
    ),
    "999 with zeros after it": ([line("A", 1990, 5, 999, 0, 0)], 1, "9.99 mm"),
    "both end marks": ([line("A", 1990, 5, -9999), line("A", 1995, 5, 999)], 2, "two precisions"),
    "widths after -9999": ([line("A", 1990, 5, -9999, 5)], 1, "widths after"),
    "negative": ([line("A", 1990, 5, -12, 5, 999)], 1, "negative width -12 for 1991"),
    "-999 for a missing ring": ([line("A", 1990, 5, -999, 5, 999)], 1, "negative"),
    "too many for the decade": ([line("A", 1995, 1, 2, 3, 4, 5, 6, 999)], 1, "5 at most"),
    "eleven widths": ([line("A", 1990, *range(1, 12)), line("A", 2001, 999)], 1, "tenth width"),
    "a decade missing": (
        [line("A", 1990, *range(10, 20)), line("A", 2010, 5, 999)],
        2,
        "2000 to 2009 are missing",
    ),
    "too few for the decade": (
        [line("A", 1990, *range(10, 18)), line("A", 2000, 5, 999)],
        2,
        "1998 to 1999 are missing",
    ),
    "a decade twice": (
        [line("A", 1990, *range(10, 20)), line("A", 1990, *range(10, 20)), line("A", 2000, 999)],
        2,
        "come twice",
    ),
    "other widths, same name": (
        decadal("A", 1990, [5, 6]) + decadal("B", 1990, [5]) + decadal("A", 1991, [7, 8]),
        3,
        "first in line 1",
    ),
    "a ring of metres": (decadal("A", 1990, [5, 99999]), 1, "999.99 mm"),
    "an end mark alone": ([line("A", 1990, 999)], 1, "without a ring"),
    "a decimal point": ([line("A", 1990, 5, 6), "A       1992   1.5   999"], 2, "whole numbers"),
    "a word among widths": (
        [line("A", 1990, 5, 6), "A       1992     5     x   999"],
        2,
        "whole numbers",
    ),
    "a line of another kind inside": (
        [line("A", 1990, *range(10, 20)), "some words here", line("A", 2000, 999)],
        2,
        "whole numbers",
    ),
    "a year of three digits": ([line("A", 843, 5, 6, 999)], 1, "843"),
    "a year before our era": (["SITE12 -1843   100   120   999"], 1, "-1843"),
    "a name that ends in a dash": ([line("SITE-12-", 1843, 5, 999)], 1, "-1843"),
    "a year of two kinds": (["A 1843 1220 1174 1000 -9999"], 1, "1843 or 1220"),
    "a name run into the year, out of columns": (
        ["PINE0711843   220   230   999"],
        1,
        "columns 1-8",
    ),
}


@pytest.mark.parametrize(("lines", "at", "said"), REFUSED.values(), ids=REFUSED.keys())
def test_what_is_ambiguous_is_one_problem_that_names_file_and_line(lines, at, said):
    found = read(lines)
    assert [(problem.file, problem.row) for problem in found.problems] == [
        ("rings/site.rwl", at)
    ], "\n".join(map(str, found.problems))
    assert said in str(found.problems[0]), str(found.problems[0])
    assert "A" not in {series.name for series in found.series}, (
        "a series with a problem is not handed on"
    )


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"PK\x03\x04abc",
        b"\xff\xfeA\x001\x00",
        b"core,year,width_mm\nA,1990,1.2\n",
        b"only words\n",
    ],
)
def test_a_file_of_another_kind_is_one_problem(content):
    found = read_decadal("rings/a.rwl", content)
    assert len(found.problems) == 1 and not found.series


@settings(max_examples=150, deadline=None)
@given(
    name=st.text("ABCXYZ0123456789_ ", min_size=1, max_size=8).map(str.strip).filter(bool),
    first=st.integers(1000, 2000),
    widths=st.lists(st.integers(0, 5000), min_size=1, max_size=60),
    end=st.sampled_from([999, -9999]),
)
def test_whatever_is_laid_out_by_the_format_is_read_back(name, first, widths, end):
    widths = [998 if width == 999 and end == 999 else width for width in widths]
    unit = 100 if end == 999 else 1000
    found = widths_of(read(HEADER + decadal(name, first, widths, end)))
    assert found == {name: {first + place: width / unit for place, width in enumerate(widths)}}


@settings(max_examples=150, deadline=None)
@given(
    st.one_of(
        st.binary(max_size=200),
        st.lists(st.text("A1 0-9\t.", max_size=80), max_size=6).map(
            lambda each: "\n".join(each).encode()
        ),
    )
)
def test_no_bytes_whatsoever_crash_the_reading(content):
    found = read_decadal("rings/a.rwl", content)
    assert found.series or found.problems
    for series in found.series:
        for part in series.parts:
            assert len(part.widths_mm) == len(part.lines) > 0 and (part.widths_mm >= 0).all()


@settings(max_examples=100, deadline=None)
@given(data=st.data())
def test_a_spoilt_character_never_changes_a_width_unnoticed_into_another_year(data):
    """One blank put in or taken out moves a line: then it is refused, or read with the same widths
    in the same years.
    """
    lines = decadal("SITE12", 1943, range(101, 140))
    at = data.draw(st.integers(0, len(lines) - 1))
    blanks = [place for place, letter in enumerate(lines[at]) if letter == " "]
    place = data.draw(st.sampled_from(blanks))
    spoilt = lines[at][:place] + data.draw(st.sampled_from(["", "  "])) + lines[at][place + 1 :]
    found = read([*lines[:at], spoilt, *lines[at + 1 :]])
    if not found.problems:
        (series,) = found.series
        assert series.name == "SITE12" and widths_of(found)["SITE12"] == years(
            1943, range(101, 140)
        )


# --- the survey ---


def survey_folder(
    folder: Path,
    *,
    cores: str,
    csv: str = "",
    trees: str = "",
    rings: dict[str, list[str]] | None = None,
) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    tables = {
        "stands": "stand,survey_date\ns,2020-12-01",
        "cores": cores,
        "trees": (
            trees
            or "tree,stand,species,dbh_cm\n"
            + "\n".join(f"t{number},s,longleaf-pine,40" for number in range(1, 10))
        ),
    }
    if csv:
        tables["ring_widths"] = csv
    for name, text in tables.items():
        (folder / f"{name}.csv").write_text(
            "\n".join(row.strip() for row in text.strip().splitlines()) + "\n"
        )
    for name, lines in (rings or {}).items():
        (folder / "rings").mkdir(exist_ok=True)
        (folder / "rings" / name).write_text("\n".join(lines) + "\n")
    return folder


def csv_rings(core: str, first_year: int, widths, *, header: bool = True) -> str:
    rows = [f"{core},{first_year + place},{width:g}" for place, width in enumerate(widths)]
    return "\n".join((["core,year,width_mm"] if header else []) + rows)


CORES = "core,tree,height_cm,first_ring_year,last_ring_year,ring_count,dating,outer_ring,centre\n"


def problems_of(path) -> list:
    with pytest.raises(SurveyError) as caught:
        read_survey(path)
    for problem in caught.value.problems:
        assert "{" not in str(problem) and "nan" not in str(problem)
    return list(caught.value.problems)


def test_rings_of_the_csv_and_of_files_come_as_one_sorted_table(tmp_path):
    path = survey_folder(
        tmp_path,
        cores=CORES + "b,t1,30,1990,,,,,pith\na,t2,30,1985,,,,,pith\nc,t3,30,1990,,,,,pith",
        csv=csv_rings("b", 1991, [1.5, 0, 2.5]),
        rings={"x.rwl": HEADER + decadal("a", 1985, [100, 0, 300])},
    )
    survey = read_survey(path)
    rings = survey.ring_widths
    assert list(rings.columns) == ["core", "year", "width_mm", "row", "file"]
    assert rings.dtypes.astype(str).tolist() == ["object", "float64", "float64", "int64", "object"]
    assert rings["core"].tolist() == ["a"] * 3 + ["b"] * 3
    assert rings["year"].tolist() == [1985, 1986, 1987, 1991, 1992, 1993]
    assert rings["width_mm"].tolist() == [1, 0, 3, 1.5, 0, 2.5]
    assert rings["row"].tolist() == [4, 4, 4, 2, 3, 4]
    assert rings["file"].tolist() == ["rings/x.rwl"] * 3 + ["ring_widths.csv"] * 3
    assert set(survey.hashes) >= {"rings/x.rwl", "ring_widths.csv"}
    assert "6 measured in 2 series, 1985 to 1993, 2 of them absent" in str(survey)
    numbers = survey.summary_counts()
    assert (numbers["rings_measured"], numbers["ring_series"], numbers["rings_absent"]) == (6, 2, 2)


def test_without_rings_the_table_has_its_columns_and_no_rows(tmp_path):
    rings = read_survey(survey_folder(tmp_path, cores=CORES + "a,t1,30,1950,,,,,pith")).ring_widths
    assert list(rings.columns) == ["core", "year", "width_mm", "row", "file"] and len(rings) == 0
    assert rings.dtypes.astype(str).tolist() == ["object", "float64", "float64", "int64", "object"]


def test_a_sheet_of_a_workbook_is_read_like_the_csv(tmp_path):
    from openpyxl import Workbook

    book = Workbook()
    book.remove(book.active)
    for name, rows in {
        "stands": [["stand", "survey_date"], ["s", "2020-12-01"]],
        "trees": [["tree", "stand", "species"], ["t", "s", "longleaf-pine"]],
        "cores": [["core", "tree", "centre"], ["a", "t", "pith"]],
        "ring_widths": [["core", "year", "width_mm"], ["a", 2019, 1.25], ["a", 2018, 0]],
    }.items():
        sheet = book.create_sheet(name)
        for row in rows:
            sheet.append(row)
    book.save(tmp_path / "site.xlsx")
    survey = read_survey(tmp_path / "site.xlsx")
    assert survey.ring_widths["width_mm"].tolist() == [0, 1.25] and survey.ring_widths[
        "row"
    ].tolist() == [3, 2]
    assert set(survey.ring_widths["file"]) == {"site.xlsx, sheet ring_widths"}
    assert survey.cores[["first_ring_year", "last_ring_year"]].iloc[0].tolist() == [2018, 2019]


def test_series_find_their_cores_by_name_or_by_file_and_name(tmp_path):
    cores = (
        CORES
        + "PNE 12,t1,30,1990,,,,,pith\nSITE-11_1,t2,30,1990,,,,,pith\n"
        + "other_11_1,t3,30,1990,,,,,pith"
    )
    path = survey_folder(
        tmp_path,
        cores=cores,
        rings={
            "site.rwl": (
                decadal("PNE 12", 1990, [10])
                + decadal("11_1", 1991, [20])
                + decadal("111", 1990, [9])
            ),
            "other.rwl": decadal("11_1", 1992, [30]),
        },
    )
    survey = read_survey(path)
    assert dict(zip(survey.ring_widths["core"], survey.ring_widths["year"], strict=True)) == {
        "PNE 12": 1990,
        "SITE-11_1": 1991,
        "other_11_1": 1992,
    }
    assert [note for note in survey.notes if "no core in cores" in note] == [
        "rings/site.rwl: not used, as no core in cores has the name of the series (1): 111"
    ]


@pytest.mark.parametrize(
    ("core", "series"), [("pne12", "PNE12"), ("A 7", "A_7"), ("A-7", "A 7"), ("Site-a7", "A7")]
)
def test_other_capitals_and_marks_of_a_series_are_read_and_listed(tmp_path, core, series):
    path = survey_folder(
        tmp_path,
        cores=CORES + f"{core},t1,30,1990,,,,,pith",
        rings={"site.rwl": HEADER + decadal(series, 1990, [10])},
    )
    survey = read_survey(path)
    assert survey.ring_widths["core"].tolist() == [core] and not survey.unused_series
    (reading,) = (each for each in survey.readings if each.file == "rings/site.rwl")
    assert (reading.row, reading.as_written, reading.as_read) == (4, series, core)


def test_a_series_of_a_core_lettered_on_its_tree_is_found_without_a_mark(tmp_path):
    path = survey_folder(
        tmp_path,
        cores=CORES + "a,t1,30,1990,,,,,pith\na,t2,30,1991,,,,,pith",
        rings={"site.rwl": decadal("t1a", 1990, [10]) + decadal("T2A", 1991, [20])},
    )
    assert read_survey(path).ring_widths["core"].tolist() == ["t1-a", "t2-a"]


def test_two_series_of_one_name_but_for_capitals_are_not_both_the_core(tmp_path):
    path = survey_folder(
        tmp_path,
        cores=CORES + "A7,t1,30,1990,,,,,pith",
        rings={"site.rwl": decadal("A7", 1990, [10]) + decadal("a7", 1990, [12])},
    )
    survey = read_survey(path)
    assert survey.ring_widths["width_mm"].tolist() == [0.1]
    assert survey.unused_series == ("rings/site.rwl: a7",)


@pytest.mark.parametrize(("core", "series"), [("A-07", "A7"), ("pne-012", "PNE12")])
def test_a_near_miss_is_a_problem_with_a_suggestion(tmp_path, core, series):
    path = survey_folder(
        tmp_path,
        cores=CORES + f"{core},t1,30,1990,,,,,pith",
        rings={"site.rwl": HEADER + decadal(series, 1990, [10])},
    )
    (problem,) = problems_of(path)
    assert (problem.file, problem.row) == (
        "rings/site.rwl",
        4,
    ) and f"'{core}'" in problem.what_to_do


def test_a_name_that_fits_two_cores_is_a_problem(tmp_path):
    path = survey_folder(
        tmp_path,
        cores=CORES + "7,t1,30,1990,,,,,pith\nsite-7,t2,30,1990,,,,,pith",
        rings={"site.rwl": decadal("7", 1990, [10])},
    )
    (problem,) = problems_of(path)
    assert "7 or site-7" in problem.found


def test_a_core_in_two_files_is_taken_once_or_refused(tmp_path):
    cores = CORES + "a,t1,30,1990,,,,,pith"
    same = survey_folder(
        tmp_path / "same",
        cores=cores,
        csv=csv_rings("a", 1990, [1.17, 0.57]),
        rings={"x.rwl": decadal("a", 1990, [117, 57])},
    )
    survey = read_survey(same)
    assert survey.ring_widths["year"].tolist() == [1990, 1991] and any(
        "alike" in note for note in survey.notes
    )
    for name, widths, first in (("other", [117, 58], 1990), ("moved", [117, 57], 1992)):
        (problem,) = problems_of(
            survey_folder(
                tmp_path / name,
                cores=cores,
                csv=csv_rings("a", 1990, [1.17, 0.57]),
                rings={"x.rwl": decadal("a", first, widths)},
            )
        )
        assert problem.file.startswith("ring") and "'a'" in problem.found


def test_years_twice_and_gaps_in_the_csv_are_problems(tmp_path):
    cores = CORES + "a,t1,30,1990,,,,,pith"
    path = survey_folder(
        tmp_path / "twice", cores=cores, csv=csv_rings("a", 1990, [1, 2]) + "\na,1991,2"
    )
    (problem,) = problems_of(path)
    assert (problem.file, problem.row, problem.column) == (
        "ring_widths.csv",
        4,
        "year",
    ) and "row 3" in problem.found
    path = survey_folder(
        tmp_path / "gap", cores=cores, csv=csv_rings("a", 1990, [1, 2]) + "\na,1995,2"
    )
    (problem,) = problems_of(path)
    assert (problem.row, problem.column) == (4, "year") and "1995 after 1991" in problem.found


def test_of_a_series_in_parts_the_longest_is_used_and_the_whole_dates_the_core(tmp_path):
    lines = (
        decadal("a", 1950, [100] * 12)
        + decadal("a", 1970, [200] * 30)
        + decadal("a", 2005, [150] * 16)
    )
    survey = read_survey(
        survey_folder(tmp_path, cores=CORES + "a,t1,30,,,,crossdated,,pith", rings={"x.rwl": lines})
    )
    assert survey.ring_widths["year"].tolist() == list(range(1970, 2000))
    assert survey.cores[["first_ring_year", "last_ring_year"]].iloc[0].tolist() == [1950, 2020]
    assert any("1962-1969, 2000-2004" in note and "1970 to 1999" in note for note in survey.notes)


# cells of the core (first, last, count, dating, outer ring, status), years of the series, (first,
# last) filled in; None = stays blank
FILLED = [
    (("", "", "", "crossdated", "", "live"), (1950, 2020), (1950, 2020)),
    (("1945", "", "", "crossdated", "", "live"), (1950, 2019), (1945, 2019)),
    (("", "", "", "crossdated", "", "live"), (1950, 1990), (1950, None)),
    (("", "", "", "crossdated", "lost", "live"), (1950, 1990), (1950, 1990)),
    (("", "", "", "crossdated", "", "dead"), (1950, 1990), (1950, 1990)),
    (("", "", "", "crossdated", "partial", "live"), (1950, 2019), (1950, None)),
    (("", "", "", "crossdated", "partial", "live"), (1950, 2020), (1950, 2020)),
    (("", "", "71", "counted", "", "live"), (1950, 2020), (1950, 2020)),
    (("", "", "90", "counted", "", "live"), (1950, 2020), (None, 2020)),
    (("", "", "70", "crossdated", "", "live"), (1950, 2020), (1950, 2020)),
    (("1950", "2019", "", "counted", "", "live"), (1952, 2018), (1950, 2019)),
]


@pytest.mark.parametrize(("cells", "span", "expected"), FILLED)
def test_first_and_last_ring_come_from_the_series_where_they_can(tmp_path, cells, span, expected):
    *core, status = cells
    path = survey_folder(
        tmp_path,
        cores=CORES + f"a,t1,30,{','.join(core)},unknown",
        trees=f"tree,stand,species,dbh_cm,status\nt1,s,longleaf-pine,40,{status}",
        csv=csv_rings("a", span[0], [1.2] * (span[1] - span[0] + 1)),
    )
    survey = read_survey(path)
    found = tuple(
        None if np.isnan(year) else year
        for year in survey.cores[["first_ring_year", "last_ring_year"]].iloc[0]
    )
    assert found == expected
    blank = sum(cell == "" for cell in core[:2]) > sum(year is None for year in expected)
    assert any("taken from the ring widths" in note for note in survey.notes) == blank


def test_cores_dated_by_their_series_are_dated_like_cores_with_the_years_written_down(tmp_path):
    from standage.evidence import date_trees

    rings = csv_rings("a", 1950, [1.2] * 71)
    ages = [
        date_trees(
            read_survey(
                survey_folder(
                    tmp_path / name, cores=CORES + f"a,t1,30,{cells},crossdated,,pith", csv=rings
                )
            )
        )
        for name, cells in (("blank", ",,"), ("written", "1950,2020,"))
    ]
    pd.testing.assert_frame_equal(*ages)


# (cells of the core, first year, widths, row of the problem, a word it must say)
CONTRADICTIONS = {
    "ring in the future": ("1950,,,crossdated,", 1950, [1.2] * 72, 73, "2020"),
    "ring before the first": ("1955,,,crossdated,", 1950, [1.2] * 60, 2, "first_ring_year 1955"),
    "ring after the last": ("1950,2015,,crossdated,", 1950, [1.2] * 69, 70, "last_ring_year 2015"),
    "more rings than counted": (",,60,counted,", 1950, [1.2] * 71, 2, "ring_count of 60"),
    "more than a tenth more, crossdated": ("1950,,60,crossdated,", 1950, [1.2] * 71, 2, "71 rings"),
    "longer than any tree": (",,,crossdated,", 1200, [0.5] * 821, 2, "oldest known longleaf-pine"),
}


@pytest.mark.parametrize(
    ("cells", "first", "widths", "row", "said"), CONTRADICTIONS.values(), ids=CONTRADICTIONS.keys()
)
def test_series_that_contradict_their_core(tmp_path, cells, first, widths, row, said):
    path = survey_folder(
        tmp_path,
        cores=CORES + f"a,t1,30,{cells},unknown",
        csv=csv_rings("a", first, widths),
        trees="tree,stand,species,dbh_cm\nt1,s,longleaf-pine,80",
    )
    found = [problem for problem in problems_of(path) if problem.file == "ring_widths.csv"]
    assert [(problem.row, problem.column) for problem in found] == [(row, "year")], "\n".join(
        map(str, found)
    )
    assert said in str(found[0])


def test_series_that_contradict_the_life_of_their_tree(tmp_path):
    trees = (
        "tree,stand,species,dbh_cm,status,death_year,origin,planted_year\nt1,s,longleaf-pine,40,dead,2010,,\n"
        "t2,s,longleaf-pine,40,,,planted,1960"
    )
    path = survey_folder(
        tmp_path,
        cores=CORES + "a,t1,30,,,,crossdated,,unknown\nb,t2,30,1956,,,crossdated,,unknown",
        trees=trees,
        rings={"x.rwl": decadal("a", 1990, [100] * 23) + decadal("b", 1956, [150] * 60)},
    )
    found = [str(problem) for problem in problems_of(path) if problem.file == "rings/x.rwl"]
    assert len(found) == 2
    assert (
        "row 3" in found[0]
        and "death_year of its tree, 2010" in found[0]
        and "column" not in found[0]
    )
    assert "planted in 1960" in found[1]


def test_a_series_a_little_older_than_any_known_is_asked_about(tmp_path):
    path = survey_folder(
        tmp_path,
        cores=CORES + "a,t1,30,,,,crossdated,,unknown",
        csv=csv_rings("a", 1541, [0.4] * 480),
    )
    assert any("480 years" in note for note in read_survey(path).notes)


WOOD = "core,tree,height_cm,first_ring_year,centre,core_length_mm,diameter_at_core_cm,dating\n"


@pytest.mark.parametrize(
    ("core", "width", "said"),
    [
        ("1921,straight,150,", 15.0, "times its core_length_mm 150"),
        ("1921,straight,150,", 0.15, "0.1 times its core_length_mm 150"),
        ("1921,straight,170,", 0.15, "0.088 times its core_length_mm 170"),
        ("1921,pith,,40", 18.0, "radius of 200 mm"),
        ("1921,pith,,40", 0.18, "to the centre"),
        ("1921,unknown,,", 0.05, "mean ring of 0.05 mm"),
    ],
)
def test_a_unit_ten_times_off_is_asked_about_and_never_changed(tmp_path, core, width, said):
    path = survey_folder(
        tmp_path / "wrong",
        cores=WOOD + f"a,t1,30,{core},crossdated",
        csv=csv_rings("a", 1921, [width] * 100),
    )
    (problem,) = problems_of(path)
    assert (
        said in problem.found
        and "factor of ten" in problem.what_to_do
        and (problem.row, problem.column) == (2, "width_mm")
    )
    right = 1.5 if width in (15, 0.15) else 1.8
    survey = read_survey(
        survey_folder(
            tmp_path / "right",
            cores=WOOD + f"a,t1,30,{core},crossdated",
            csv=csv_rings("a", 1921, [right] * 100),
        )
    )
    assert survey.ring_widths["width_mm"].eq(right).all()
    assert not any("factor of ten" in note for note in survey.notes)


def test_partly_measured_cores_need_not_fill_the_stem(tmp_path):
    path = survey_folder(
        tmp_path,
        cores=WOOD + "a,t1,30,1921,pith,190,40,crossdated",
        csv=csv_rings("a", 2000, [1.5] * 21),
    )
    survey = read_survey(path)
    assert len(survey.ring_widths) == 21 and any(
        "later than first_ring_year" in note for note in survey.notes
    )


def test_a_wrong_end_mark_is_asked_about(tmp_path):
    """One series of six in thousandths marked as hundredths, and a file whose every series is
    marked so.
    """
    cores = CORES + "\n".join(
        f"k{number},t{number},30,,,,crossdated,,unknown" for number in range(1, 7)
    )
    trees = "tree,stand,species\n" + "\n".join(
        f"t{number},s,longleaf-pine" for number in range(1, 7)
    )
    lines = [each for number in range(1, 6) for each in decadal(f"k{number}", 1990, [120] * 30)]
    lines += decadal("k6", 1990, [1200] * 30)
    survey = read_survey(
        survey_folder(tmp_path / "one", cores=cores, trees=trees, rings={"x.rwl": lines})
    )
    assert [note[:6] for note in survey.notes if "factor of ten" in note] == ["core k"] and any(
        "core k6" in note for note in survey.notes
    )
    assert survey.ring_widths.loc[survey.ring_widths["core"] == "k6", "width_mm"].eq(12).all()
    every = [
        each
        for number in range(1, 7)
        for each in decadal(f"k{number}", 1990, [120] * 30, end=-9999)
    ]
    survey = read_survey(
        survey_folder(tmp_path / "all", cores=cores, trees=trees, rings={"x.rwl": every})
    )
    assert sum("factor of ten" in note for note in survey.notes) == 1 and any(
        "0.12 mm" in note for note in survey.notes
    )


def test_a_thin_core_without_a_centre_is_asked_about(tmp_path):
    for name, width, asked in (("thin", 0.18, True), ("right", 1.8, False)):
        path = survey_folder(
            tmp_path / name,
            cores=WOOD + "a,t1,30,1921,unknown,,40,crossdated",
            csv=csv_rings("a", 1921, [width] * 100),
        )
        assert any("fifth of the radius" in note for note in read_survey(path).notes) == asked


def test_absent_rings_in_a_counted_core_are_asked_about(tmp_path):
    path = survey_folder(
        tmp_path,
        cores=CORES + "a,t1,30,1990,,,counted,,unknown",
        csv=csv_rings("a", 1990, [1, 0, 1]),
    )
    assert any("absent rings" in note and "crossdated" in note for note in read_survey(path).notes)


def test_files_that_are_not_read_are_named(tmp_path):
    path = survey_folder(
        tmp_path,
        cores=CORES + "a,t1,30,1990,,,,,unknown",
        rings={"x.rwl": decadal("a", 1990, [10]), "readme.txt": ["words"]},
    )
    (path / "y.rwl").write_text("words")
    (path / "Ring_widths").mkdir()
    notes = "\n".join(read_survey(path).notes)
    for said in ("rings/readme.txt", "'y.rwl'", "'Ring_widths'"):
        assert said in notes


def test_problems_of_ring_files_come_with_all_others(tmp_path):
    path = survey_folder(
        tmp_path,
        cores=CORES + "a,t1,999,1990,,,,,unknown",
        rings={"x.rwl": ["A       1990     5   -12   999"], "z.rwl": ["A       1990     5"]},
    )
    assert [(problem.file, problem.row) for problem in problems_of(path)] == [
        ("cores.csv", 2),
        ("rings/x.rwl", 1),
        ("rings/z.rwl", 1),
    ]


def test_250_series_of_200_years_are_read(tmp_path):
    widths = np.random.default_rng(1).integers(30, 300, (250, 200))
    lines = [
        each for number in range(250) for each in decadal(f"K{number:03d}", 1821, widths[number])
    ]
    cores = CORES + "\n".join(
        f"K{number:03d},t{number},30,,,,crossdated,,unknown" for number in range(250)
    )
    trees = "tree,stand,species\n" + "\n".join(
        f"t{number},s,longleaf-pine" for number in range(250)
    )
    path = survey_folder(tmp_path, cores=cores, trees=trees, rings={"x.rwl": HEADER + lines})
    survey = read_survey(path)
    np.testing.assert_array_equal(
        survey.ring_widths["width_mm"].to_numpy().reshape(250, 200), widths / 100
    )


# What real archives hold


def test_a_mistake_in_a_series_that_no_core_uses_is_no_problem_of_the_survey(tmp_path):
    """Archived files hold series of other cores, some of them without a ring."""
    path = survey_folder(
        tmp_path,
        cores=CORES + "a,t1,30,1990,,,,,unknown",
        rings={
            "x.rwl": [*decadal("a", 1990, [10, 20]), "B       1990   999", "C       1990     5"]
        },
    )
    survey = read_survey(path)
    assert survey.unused_series == ("rings/x.rwl: B", "rings/x.rwl: C")
    assert any("not used" in note and "B, C" in note for note in survey.notes)
    (path / "cores.csv").write_text(CORES + "B,t1,30,1990,,,,,unknown\n")
    assert [problem.row for problem in problems_of(path)] == [2]


def test_years_that_could_not_be_measured_may_be_left_out_of_the_csv_as_of_a_decadal_file(tmp_path):
    rows = csv_rings("a", 1950, [1.0] * 8) + "\n" + csv_rings("a", 1962, [2.0] * 12, header=False)
    path = survey_folder(tmp_path, cores=CORES + "a,t1,30,,,,,,unknown", csv=rows)
    survey = read_survey(path)
    assert survey.ring_widths["year"].tolist() == list(range(1962, 1974))
    assert survey.cores["first_ring_year"].item() == 1950
    assert any("no widths for 1958-1961" in note for note in survey.notes)


def test_a_single_ring_apart_in_the_csv_is_a_year_mistyped(tmp_path):
    rows = csv_rings("a", 1890, [1.0]) + "\n" + csv_rings("a", 1962, [2.0] * 12, header=False)
    path = survey_folder(tmp_path, cores=CORES + "a,t1,30,,,,,,unknown", csv=rows)
    (problem,) = problems_of(path)
    assert "1962 after 1890" in problem.found and "Correct the year" in problem.what_to_do


@pytest.mark.parametrize(
    ("dbh", "height", "millimetres", "accepted"),
    [
        (4, 10, 90, True),  # a juniper of several stems from one butt, cored at the ground
        (2, 50, 60, True),
        (4, 10, 900, False),  # a unit ten times off
        (4, 137, 90, False),  # at breast height itself the stem has no room
        (40, 30, 180, True),
        (40, 30, 1800, False),
    ],
)
def test_rings_low_on_the_stem_are_not_held_to_its_diameter_at_breast_height(
    tmp_path, dbh, height, millimetres, accepted
):
    path = survey_folder(
        tmp_path,
        cores=CORES + f"a,t1,{height},,,,crossdated,,unknown",
        trees=f"tree,stand,species,dbh_cm\nt1,s,generic-conifer,{dbh}",
        csv=csv_rings("a", 1921, [millimetres / 100] * 100),
    )
    if accepted:
        assert len(read_survey(path).ring_widths) == 100
    else:
        assert any(
            "in all" in problem.found or "mean ring" in problem.found
            for problem in problems_of(path)
        )
