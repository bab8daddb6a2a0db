"""The folder of results: whole or not at all, never over somebody's work; and the summary in
words.
"""

from __future__ import annotations

import errno
import html
import json
import re
from contextlib import nullcontext
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from fake_posterior import fake_posterior, with_tables

from standage.errors import StandageError
from standage.findings import Findings
from standage.prose.summary import full_summary
from standage.prose.wording import rounded
from standage.report import report_html
from standage.report.card import write_card
from standage.results.folder import build_result_folder, check_result_folder
from standage.results.number_format import in_digits
from standage.results.table_files import plain_values, write_table
from standage.results.writing import IncompleteResult, _Attempts, write_results
from standage.results.written_tables import written_tables


@pytest.fixture(scope="module")
def posterior():
    return fake_posterior(draws=100)


@pytest.fixture(scope="module")
def findings(posterior):
    return Findings(posterior)


@pytest.fixture(scope="module")
def tables(findings):
    return written_tables(findings)


@pytest.fixture(scope="module")
def result(posterior, tmp_path_factory):
    return write_results(
        posterior,
        tmp_path_factory.mktemp("site") / "deep" / "result",
        settings={"draws": np.int64(7)},
    )


TABLES = (
    *("stand_summary", "tree_dates", "cohorts", "rate", "pulses", "attribution"),
    *("comparison", "parameters", "prior_sensitivity", "all_stands"),
)


def test_everything_is_there(result):
    files = {path.relative_to(result).as_posix() for path in result.rglob("*") if path.is_file()}
    expected = {f"{name}.csv" for name in TABLES} | {
        "verdict.json",
        "provenance.json",
        "posterior.nc",
    }
    assert expected < files
    assert {
        "figures/cohorts.png",
        "figures/establishment_rate.png",
        "figures/tree_dates.png",
    } < files
    assert [path.name for path in result.parent.iterdir()] == ["result"]


def test_tables_read_back_as_they_were(result, tables):
    for name in TABLES:
        back = pd.read_csv(result / f"{name}.csv", keep_default_na=False)
        assert list(back) == list(tables[name]) and len(back) == len(tables[name])
    back = pd.read_csv(result / "cohorts.csv")
    np.testing.assert_allclose(
        back["share_median"], tables["cohorts"]["share_median"].astype(float), rtol=1e-3, atol=1e-8
    )
    assert "e-" not in re.sub(
        r"[a-z]+e-[a-z]", "", (result / "rate.csv").read_text(encoding="utf-8")
    ).replace("longleaf-pine", "")


def test_years_are_written_without_a_point_and_blanks_empty(result):
    trees = pd.read_csv(result / "tree_dates.csv", dtype=str, keep_default_na=False)
    assert all(re.fullmatch(r"\d{4}|", year) for year in trees["establishment_year_median"])
    assert (trees.loc[trees["stand"] == "Stony Ridge", "age_median"] == "").all()


def test_provenance_tells_how_to_make_it_again(result):
    told = json.loads((result / "provenance.json").read_text(encoding="utf-8"))
    assert told["seed"] == 1 and told["level"] == 0.9 and told["draws"] == 7
    assert told["inputs_sha256"] == {"trees.csv": "0" * 64}
    assert {profile["key"] for profile in told["profiles"]} == {"longleaf-pine", "loblolly-pine"}
    assert all(profile["sources"] for profile in told["profiles"])
    assert told["libraries"]["numpy"] == np.__version__
    assert "cohorts.csv" in told["files"] and "provenance.json" in told["files"]


@pytest.mark.slow
def test_verdict_is_json_that_every_reader_takes(tmp_path):
    posterior = fake_posterior(draws=100)
    posterior.verdict.update({"rhat_max": float("nan"), "per_chain": np.array([1.0, np.inf])})
    folder = write_results(posterior, tmp_path / "result")
    verdict = json.loads(
        (folder / "verdict.json").read_text(encoding="utf-8"),
        parse_constant=lambda word: pytest.fail(word),
    )
    assert (
        verdict["rhat_max"] is None
        and verdict["per_chain"] == [1.0, None]
        and verdict["passed"] is True
        and verdict["grade"] in ("sound", "doubtful")
    )


def fill_with(text: str):
    def fill(folder):
        (folder / "cohorts.csv").write_text(text, encoding="utf-8")
        return {"seed": 1}

    return fill


def test_an_earlier_result_is_replaced_whole(tmp_path):
    folder = build_result_folder(tmp_path / "out", fill_with("first"))

    def other(building):
        (building / "pulses.csv").write_text("second", encoding="utf-8")
        return {}

    build_result_folder(folder, other)
    assert sorted(path.name for path in folder.iterdir()) == ["provenance.json", "pulses.csv"]


def test_an_empty_folder_and_what_file_managers_leave_are_no_obstacle(tmp_path):
    folder = tmp_path / "out"
    folder.mkdir()
    build_result_folder(folder, fill_with("a"))
    (folder / ".DS_Store").write_bytes(b"")
    (folder / "Thumbs.db").write_bytes(b"")
    build_result_folder(folder, fill_with("b"))
    assert (folder / "cohorts.csv").read_text(encoding="utf-8") == "b"


def test_a_folder_that_is_no_result_is_left_alone(tmp_path):
    (tmp_path / "notes.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(StandageError, match="not an earlier result"):
        build_result_folder(tmp_path, fill_with("a"))
    assert [path.name for path in tmp_path.iterdir()] == ["notes.txt"]


@pytest.mark.parametrize("provenance", ['{"seed": 3}', "[1]", "not json"])
def test_a_file_called_provenance_is_not_enough(tmp_path, provenance):
    (tmp_path / "provenance.json").write_text(provenance, encoding="utf-8")
    with pytest.raises(StandageError, match="not an earlier result"):
        check_result_folder(tmp_path)


def test_files_added_to_a_result_are_named_not_lost(tmp_path):
    folder = build_result_folder(tmp_path / "out", fill_with("a"))
    (folder / "my notes.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(StandageError, match="my notes.txt"):
        build_result_folder(folder, fill_with("b"))
    assert (folder / "cohorts.csv").read_text(encoding="utf-8") == "a"


def test_a_file_in_the_way_is_said_plainly(tmp_path):
    (tmp_path / "out").write_text("", encoding="utf-8")
    with pytest.raises(StandageError, match="found a file"):
        check_result_folder(tmp_path / "out")
    with pytest.raises(StandageError, match="found a file"):
        check_result_folder(tmp_path / "out" / "below")


@pytest.mark.slow
def test_a_writer_that_fails_costs_only_what_it_writes(tmp_path):
    def failing(building):
        raise RuntimeError("no such words")

    with pytest.raises(
        IncompleteResult, match="failing \\(RuntimeError: no such words\\)"
    ) as raised:
        write_results(fake_posterior(draws=100), tmp_path / "out", also=[failing])
    assert list(raised.value.not_made) == ["failing"]
    assert (tmp_path / "out" / "cohorts.csv").is_file() and (
        tmp_path / "out" / "figures" / "cohorts.png"
    ).is_file()


def test_a_picture_that_may_not_be_written_is_a_matter_of_its_place_and_a_font_is_not(tmp_path):
    attempts = _Attempts()
    for path in (tmp_path / "a.png", Path("font.ttf")):
        refused = PermissionError(errno.EACCES, "Permission denied", str(path))
        here = pytest.raises(PermissionError) if path.parent == tmp_path else nullcontext()
        with here, attempts.making(path.name, tmp_path):
            raise refused
    assert list(attempts.not_made) == ["font.ttf"]
    assert "fault: the system refused a file;" in str(IncompleteResult(tmp_path, attempts.not_made))


def test_tables_that_fail_leave_the_earlier_result(tmp_path):
    folder = build_result_folder(tmp_path / "out", fill_with("earlier"))
    findings = Findings(fake_posterior(draws=100))
    findings.tables["cohorts"] = None
    with pytest.raises(AttributeError):
        write_results(findings, folder)
    assert (folder / "cohorts.csv").read_text(encoding="utf-8") == "earlier"
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


@pytest.mark.slow
def test_further_writers_belong_to_the_result(tmp_path, posterior):
    def report(building):
        (building / "report.html").write_text("<p>", encoding="utf-8")

    folder = write_results(posterior, tmp_path / "out", also=[report])
    check_result_folder(folder)
    assert (
        "report.html"
        in json.loads((folder / "provenance.json").read_text(encoding="utf-8"))["files"]
    )


@pytest.mark.parametrize(
    ("number", "text"),
    [
        (0.0, "0"),
        (12.0, "12"),
        (1234567.8, "1234568"),
        (0.000012345678, "0.000012346"),
        (0.1, "0.1"),
        (3e-12, "0"),
        (-2.5, "-2.5"),
    ],
)
def test_numbers_are_written_for_spreadsheets(number, text):
    assert in_digits(number) == text


def test_a_table_with_text_and_blanks(tmp_path):
    write_table(
        pd.DataFrame({"stand": ["A, B", ""], "amount": [np.nan, 0.5]}), tmp_path / "table.csv"
    )
    assert (tmp_path / "table.csv").read_text(encoding="utf-8") == 'stand,amount\n"A, B",\n,0.5\n'


def test_plain_values():
    assert plain_values({"a": (np.float32(1), np.nan), 2: np.bool_(True)}) == {
        "a": [1.0, None],
        "2": True,
    }


# ring widths


@pytest.fixture(scope="module")
def with_rings():
    """The invented survey with rings of twelve cored trees of Fern Flat, all of which grow twice as
    fast from 1927 on.
    """
    posterior = fake_posterior(draws=60)
    survey = posterior.survey
    events = survey.events.assign(
        opens_canopy=["yes", ""],
        source="record",
        first_year=[1921.0, 1945.0],
        last_year=[1931.0, 1945.0],
    )
    cores = survey.cores[survey.cores["tree"].str.startswith("F")]["core"].iloc[:12]
    rng, years = np.random.default_rng(4), np.arange(1890.0, 1971.0)
    series = [
        pd.DataFrame(
            {
                "core": core,
                "year": years,
                "width_mm": (
                    np.where(years >= 1927, 2.4, 1.2) * np.exp(rng.normal(0, 0.12, len(years)))
                ),
            }
        )
        for core in cores
    ]
    widths = pd.concat(series, ignore_index=True).assign(row=1, file="ring_widths.csv")
    return with_tables(posterior, events=events, ring_widths=widths)


@pytest.mark.slow
def test_ring_widths_bring_their_tables_and_pictures_and_sharpen_events(with_rings, tmp_path):
    folder = write_results(with_rings, tmp_path / "out")
    assert {"releases.csv", "tree_releases.csv", "disturbances.csv", "event_years.csv"} < {
        path.name for path in folder.iterdir()
    }
    assert {"ring_widths.png", "disturbances.png"} < {
        path.name for path in (folder / "figures").iterdir()
    }
    openings = pd.read_csv(folder / "disturbances.csv").query("kind == 'opening'")
    assert (
        len(openings) == 1
        and openings["year_low"].iloc[0] >= 1925
        and openings["year_high"].iloc[0] <= 1928
    )
    attributed = (
        pd.read_csv(folder / "attribution.csv")
        .query("event == 'cut' and stand == 'Fern Flat'")
        .iloc[0]
    )
    recorded = with_rings.survey.events.iloc[0]
    event = pd.read_csv(folder / "event_years.csv").query("event == 'cut'").iloc[0]
    assert event["year_high"] - event["year_low"] < 0.5 * (
        recorded["last_year"] - recorded["first_year"]
    )
    assert 2 <= attributed["lag_years_median"] <= 5


@pytest.mark.slow
def test_the_summary_tells_what_the_rings_say_and_claims_no_cause(with_rings):
    text = full_summary(with_rings)
    (said,) = (
        part for part in text.split("\n\n") if part.startswith("Fern Flat, from ring widths")
    )
    assert "let go as by an opening" in said and "doesn't prove what caused it" in said
    assert "The logging known to 1921 to 1931 began" in said
    assert "from ring widths" not in full_summary(fake_posterior(draws=60))


@pytest.mark.slow
def test_trees_whose_rings_are_not_used_are_named_in_the_summary(with_rings):
    assert "not used for releases" not in full_summary(with_rings)
    widths = with_rings.survey.ring_widths
    short = widths["core"].iloc[0]
    fewer = widths[(widths["core"] != short) | (widths["year"] >= widths["year"].max() - 4)]
    told = full_summary(with_tables(with_rings, ring_widths=fewer))
    assert f"Ring widths not used for releases: tree {short.removesuffix('a')}: fewer than" in told


@pytest.mark.slow
def test_releases_of_single_trees_are_in_a_table_of_their_own(with_rings, tmp_path):
    table = pd.read_csv(write_results(with_rings, tmp_path / "out") / "tree_releases.csv")
    released = table[table["kind"] == "release"]
    assert (
        len(released) == released["tree"].nunique() == 12
        and released["year_median"].between(1925, 1929).all()
    )
    assert (released["probability"] >= 0.5).all() and (released["change_percent_median"] > 25).all()


@pytest.mark.slow
def test_what_only_the_record_says_is_not_told_as_seen_in_the_rings(with_rings):
    """Rings that show the cut only: boxing and a thinning on record keep their prior chance, and no
    ring speaks of them.
    """
    more = {
        "event": ["boxing", "thin"],
        "stand": "Fern Flat",
        "kind": ["turpentining", "thinning"],
        "first_year": [1905.0, 1970.0],
    }
    more = pd.DataFrame(more).assign(
        last_year=[1905.0, 1970.0], ended_year=[1925.0, np.nan], opens_canopy="", source="record"
    )
    events = pd.concat([with_rings.survey.events, more], ignore_index=True)
    posterior = with_tables(with_rings, events=events)
    (said,) = (
        part
        for part in full_summary(posterior).split("\n\n")
        if part.startswith("Fern Flat, from ring widths")
    )
    seen, rest = said.split("On record and not to be seen in the rings")
    assert (
        seen.count("let go as by an opening") == 1 and "lost vigour" not in seen and "192" in seen
    )
    assert (
        rest.startswith(", which is no proof that nothing happened: ")
        and "turpentining 1905 and thinning 1970." in rest
    )


@pytest.mark.slow
def test_releases_by_a_criterion_are_told_as_such_everywhere(with_rings, tmp_path, monkeypatch):
    findings = Findings(with_rings, criterion="percent_change_means")
    named = "percent change means (Nowacki & Abrams 1997)"
    (said,) = (
        part
        for part in full_summary(findings).split("\n\n")
        if part.startswith("Fern Flat, from ring widths")
    )
    assert (
        f"by the criterion {named}. 12 releases" in said
        and "about 1927" in said
        and "doesn't prove what caused it" in said
    )
    assert "gives no probability" in said and "likelier" not in said
    page = report_html(findings)
    assert page.count(html.escape(named)) > 2 and "as steps of their logarithm" not in page
    folder = write_results(findings, tmp_path / "out")
    assert (
        json.loads((folder / "provenance.json").read_text())["release_criterion"]
        == "percent_change_means"
    )
    assert set(pd.read_csv(folder / "releases.csv")["criterion"]) == {"percent_change_means"}
    monkeypatch.setattr("standage.report.card.load_posterior", lambda _: with_rings)
    card = write_card(
        folder, with_rings.survey.ring_widths["core"].iloc[0].removesuffix("a"), tmp_path / "card"
    )
    assert named in html.unescape(card.read_text(encoding="utf-8"))


@pytest.mark.slow
def test_where_releases_are_spoken_of_scars_are_to_be_left_alone(with_rings):
    with_rings_only = full_summary(with_rings)
    assert "protected in places: don't core or cut" in with_rings_only.split("Mind this:")[1]


# the summary in words


@pytest.mark.parametrize(
    ("number", "said"),
    [
        (0, "none"),
        (0.03, "less than 0.1"),
        (0.27, "0.3"),
        (4.26, "4.3"),
        (46.2, "46"),
        (268.0, "270"),
        (12345.0, "12 000"),
        (9.97, "10"),
    ],
)
def test_numbers_are_sayable(number, said):
    assert rounded(number) == said


@pytest.mark.slow
def test_the_summary_tells_each_stand(findings):
    text = full_summary(findings)
    assert "The fit is sound" in text
    flat, field, ridge = (
        next(part for part in text.split("\n\n") if part.startswith(name))
        for name in ("Fern", "Old", "Stony")
    )
    assert "A recruitment pulse is virtually certain (more than 99 %). It began" in flat
    assert "are even-aged" in field and "are even-aged" not in flat
    assert (
        "The pulse began about 3 years after the logging of one year in 1926-1928" in flat
        and "no proof" not in flat
    )
    assert "None of this is the probability of a cause" in flat and "of a cause" not in ridge
    assert (
        "about the sampled trees" in ridge
        and "whether there is a young cohort: there are no plots." in ridge
        and "height of the core" in ridge
    )
    assert "No recruitment pulse stands out" in ridge
    assert "post-oak" in text and "limit is assumed" not in text
    assumed = Findings(findings.posterior)
    assumed.pulses = findings.pulses.assign(limit_status="assumed")
    assert "limit is assumed" in full_summary(assumed)
    assert not re.search(r"\bnan\b|<NA>", text, re.IGNORECASE)


@pytest.mark.slow
def test_marks_that_people_left_are_warned_of():
    posterior = fake_posterior(draws=60)
    assert "Turpentine scars" not in full_summary(posterior)
    posterior.survey.trees["scar"] = np.where(
        posterior.survey.trees["tree"] == "F1", "turpentine", "none"
    )
    assert "protected in places: don't core or cut them" in full_summary(posterior)
    posterior.survey.trees["scar"] = "none"
    posterior.survey.events.loc[0, "kind"] = "turpentining"
    assert "protected in places" in full_summary(posterior)


@pytest.mark.slow
def test_a_failed_fit_is_said_first():
    posterior = fake_posterior(draws=60)
    posterior.verdict.update({"passed": False, "notes": ["Run again."]})
    assert full_summary(posterior).startswith("THE FIT FAILED")
    assert "Run again." in full_summary(posterior).split("\n\n")[0]


def test_what_cannot_be_told_is_said():
    posterior = fake_posterior(draws=60)
    listed = posterior.trees.loc[posterior.trees["unit"] == 0, "dbh_cm"]
    text = full_summary(Findings(posterior, diameter_limit_cm=listed.nlargest(2).min()))
    assert "How many stems are alive, to better than fivefold: " in text


def test_weak_designs_are_warned_of():
    posterior = fake_posterior(draws=60)
    posterior.survey.plots["placement"] = np.where(
        posterior.survey.plots["stand"] == "Fern Flat", "chosen", ""
    )
    posterior.survey.trees.loc[
        posterior.survey.trees["core_outcome"] == "not_tried", "core_outcome"
    ] = "no_sound_wood"
    text = full_summary(posterior)
    assert (
        "placed by choice" in text
        and "not recorded" in text
        and "attempts to core gave nothing" in text
    )


@pytest.mark.slow
def test_summary_and_report_speak_with_one_voice(findings):
    """Every sentence of the summary's stands, of what can't be told and of what to mind, is in the
    report word for word.
    """
    page = re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]+>", " ", report_html(findings))))
    page = page.replace("\u2011", "-")
    for part in full_summary(findings).split("\n\n"):
        for line in part.splitlines():
            for sentence in re.split(r"(?<=[.]) (?=[A-Z])", line.removeprefix("- ")):
                if not sentence.endswith(":") and sentence != "Side by side.":
                    assert re.sub(r"\s+", " ", sentence).rstrip(".") in page, sentence
