"""Profiles: what is shipped is whole and honest, what is wrong is told in one go, own and edited
profiles say so.
"""

import os
import re
import warnings

import pytest

from standage.errors import SurveyError
from standage.profiles import (
    QUANTITIES,
    STATUS_MARKS,
    STATUSES,
    UncheckedProfile,
    load_profile,
    models_folder,
    profile_keys,
    profile_reference,
)

SHIPPED = ["generic-conifer", "loblolly-pine", "longleaf-pine", "ponderosa-pine", "slash-pine"]
UNCHECKED = ["slash-pine"]


@pytest.fixture
def own_folder(tmp_path):
    """A folder with a copy of the longleaf profile, and a function that edits the copy."""
    original = (models_folder() / "longleaf-pine.toml").read_text(encoding="utf-8")
    copy = tmp_path / "longleaf-pine.toml"
    copy.write_text(original, encoding="utf-8")

    def edit(old, new):
        text = copy.read_text(encoding="utf-8")
        assert text.count(old) == 1, (
            f"the test edits '{old}', which is in the file {text.count(old)} times"
        )
        copy.write_text(text.replace(old, new), encoding="utf-8")

    return tmp_path, edit


def quiet_load(key, folder=None):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", UncheckedProfile)
        return load_profile(key, folder)


def test_the_shipped_profiles_are_found():
    assert profile_keys() == SHIPPED


@pytest.mark.parametrize("key", SHIPPED)
def test_every_number_has_unit_source_reason_and_status(key):
    profile = quiet_load(key)
    assert profile.key == key and profile.shipped
    for name, quantity in QUANTITIES.items():
        number = profile.sourced(name)
        assert number.unit == quantity.unit
        assert quantity.lowest <= profile[name] <= quantity.highest
        assert number.status in STATUSES
        assert len(number.reason) > 10 or "See the line above" in number.reason
        assert (number.source == "none") == (number.status in ("assumed", "from memory")), (
            f"{key} {name}: {number}"
        )


@pytest.mark.parametrize("key", SHIPPED)
def test_published_and_derived_numbers_name_a_dated_or_open_source(key):
    profile = quiet_load(key)
    for name in QUANTITIES:
        number = profile.sourced(name)
        if number.status in ("published", "derived"):
            assert re.search(r"\b(18|19|20)\d\d\b|\.org|\.edu", number.source), (
                f"{key} {name} cites '{number.source}'"
            )


def test_only_longleaf_has_a_grass_stage_and_sprouts_in_autumn():
    assert [key for key in SHIPPED if quiet_load(key).has_grass_stage] == ["longleaf-pine"]
    assert [key for key in SHIPPED if quiet_load(key)["germination.autumn"]] == ["longleaf-pine"]
    assert quiet_load("slash-pine").species == "Pinus elliottii var. elliottii"


@pytest.mark.parametrize("key", SHIPPED)
def test_card_shows_every_number_in_use_with_unit_and_status(key):
    profile = quiet_load(key)
    card = str(profile)
    assert card.startswith(f"{profile.name} ({profile.species})")
    assert profile.standing() in card
    for name, quantity in QUANTITIES.items():
        if quantity.unit == "1 = yes, 0 = no" or (
            name.startswith("grass_stage.") and not profile.has_grass_stage
        ):
            continue
        line = (
            rf"^  {name.split('.')[1]} +{re.escape(f'{profile[name]:g}')} "
            rf" {re.escape(quantity.unit)} +{profile.sourced(name).status}"
        )
        assert re.search(line, card, re.MULTILINE), f"{name} is not on the card of {key}"
    assert max(len(line) for line in card.splitlines() if not line.startswith("File: ")) <= 160


def test_card_says_in_words_what_the_longleaf_prior_means():
    card = str(quiet_load("longleaf-pine"))
    # 5.5 x exp(-+1.645 x hypot(0.35, 0.25)) = 2.7 and 11.2; with 0.5 within the stand 1.9 and 16.4
    assert "a stand's median 5.5 (90 % 2.7 to 11) seasons, a plant's 5.5 (90 % 1.9 to 16)" in card
    assert "No grass stage" in str(quiet_load("loblolly-pine"))


def test_sources_are_listed_once_for_citing():
    sources = quiet_load("longleaf-pine").sources
    assert len(sources) == len(set(sources)) and "none" not in sources
    assert any(source.startswith("Haywood 2000") for source in sources)


def test_an_unknown_key_of_a_profile_names_the_nearest():
    with pytest.raises(KeyError, match="grass_stage.median_years"):
        quiet_load("longleaf-pine")["grass_stage.median_year"]


def test_an_unknown_profile_names_those_there_are():
    with pytest.raises(SurveyError) as caught:
        load_profile("pitch-pine")
    (problem,) = caught.value.problems
    assert problem.found == "pitch-pine" and all(key in problem.expected for key in SHIPPED)


def test_a_missing_folder_is_a_problem(tmp_path):
    with pytest.raises(SurveyError) as caught:
        load_profile("longleaf-pine", tmp_path / "nowhere")
    assert "nowhere" in caught.value.problems[0].file


def test_checked_profiles_load_in_silence_and_unchecked_ones_warn():
    for key in SHIPPED:
        with warnings.catch_warnings(record=True) as caught:
            warnings.simplefilter("always")
            profile = load_profile(key)
        assert bool(caught) == (key in UNCHECKED) == (not profile.checked), key


def test_an_edited_copy_warns_with_what_was_changed_and_says_so_on_its_card(own_folder):
    folder, edit = own_folder
    edit("median_years = {value = 5.5", "median_years = {value = 7")
    with pytest.warns(UncheckedProfile, match=r"grass_stage.median_years 7 \(shipped: 5.5\)"):
        profile = load_profile("longleaf-pine", folder)
    assert profile["grass_stage.median_years"] == 7
    assert not profile.shipped
    assert "not shipped with standage" in str(profile) and str(folder) in str(profile)
    assert profile.differences(quiet_load("longleaf-pine")) == {
        "grass_stage.median_years": (7.0, 5.5)
    }
    assert profile.sha256 != quiet_load("longleaf-pine").sha256


def test_a_profile_under_a_new_key_loads_and_the_shipped_ones_stay_reachable(own_folder):
    folder, edit = own_folder
    edit('key = "longleaf-pine"', 'key = "sandhill-longleaf"')
    (folder / "longleaf-pine.toml").rename(folder / "sandhill-longleaf.toml")
    assert profile_keys(folder) == sorted([*SHIPPED, "sandhill-longleaf"])
    with pytest.warns(UncheckedProfile, match="Own profile"):
        assert load_profile("sandhill-longleaf", folder).key == "sandhill-longleaf"
    assert quiet_load("loblolly-pine", folder).shipped


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (lambda path: path.mkdir(), "a folder, a pipe"),
        (lambda path: os.mkfifo(path), "a folder, a pipe"),
        (lambda path: path.symlink_to("/dev/zero"), "a folder, a pipe"),
        (lambda path: path.symlink_to("nowhere"), "a folder, a pipe"),
        (lambda path: path.write_bytes(b"a = " + b"[" * 100_000), "tables within tables"),
        (lambda path: path.write_bytes(b"a = " + b"9" * 5_000), "more digits than can be read"),
        (lambda path: path.write_bytes(b"a = 0x" + b"f" * 50_000), "more digits"),
        (lambda path: path.write_bytes(b"[a" + b".a" * 400_000 + b"]"), "without an end"),
        (lambda path: path.write_bytes(b"a" + b".a" * 400_000 + b" = 1"), "without an end"),
        (lambda path: path.write_bytes(b"#" * 2_000_000), "more than 1,000,000 bytes"),
        (lambda path: path.write_bytes(b"\xff\xfe"), "utf-8"),
        (
            lambda path: (
                path.with_name(".standage-1").joinpath("earlier", path.name).mkdir(parents=True)
            ),
            "left it",
        ),
    ],
)
def test_files_of_strangers_end_in_words_and_are_never_passed_over(make, said, tmp_path):
    """Under the name of a shipped profile, which is not taken in their place."""
    make(tmp_path / "longleaf-pine.toml")
    problems = problems_of(tmp_path)
    assert any(said in problem.found for problem in problems), problems


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('name = "', 'name = "\\u001b]0;title\\u0007'),
        ("median_years = {value = 5.5", "median_years = {value = 0x" + "f" * 50_000),
        ("median_years = {value = 5.5", "median_years = {value = nan"),
        ("median_years = {value = 5.5", "median_years = {value = 1e999"),
    ],
    ids=["steers a terminal", "endless", "no number", "infinite"],
)
def test_what_a_profile_of_strangers_says_is_refused_where_it_stands(old, new, own_folder):
    folder, edit = own_folder
    edit(old, new)
    (problem,) = problems_of(folder)
    assert "\x1b" not in str(problem) and len(str(problem)) < 2000


def problems_of(folder, key="longleaf-pine"):
    with pytest.raises(SurveyError) as caught:
        load_profile(key, folder)
    return caught.value.problems


@pytest.mark.parametrize(
    ("old", "new", "key", "words"),
    [
        (
            "median_years = {value = 5.5",
            'median_years = {value = "5.5"',
            "grass_stage.median_years",
            "number",
        ),
        (
            "median_years = {value = 5.5",
            "median_years = {value = 550",
            "grass_stage.median_years",
            "0.5 to 25",
        ),
        (
            "median_years = {value = 5.5",
            "median_years = {value = nan",
            "grass_stage.median_years",
            "number",
        ),
        (
            "median_years = {value = 5.5",
            "median_years = {valeu = 5.5",
            "grass_stage.median_years",
            "Did you mean 'value'",
        ),
        (
            "median_years = {value = 5.5",
            "median_year = {value = 5.5",
            "grass_stage.median_year",
            "Did you mean 'grass_stage.median_years'",
        ),
        ("present = {value = 1,", "present = {value = 0.5,", "grass_stage.present", "0 or 1"),
        ("present = {value = 1,", "present = {value = true,", "grass_stage.present", "number"),
        (
            "dispersion = {value = 1.2",
            "dispersion = {value = 0.04",
            "height_growth.dispersion",
            "0.05",
        ),
        (
            'height_cm = {value = 12, unit = "cm"',
            'height_cm = {value = 12, unit = "m"',
            "grass_stage.emergence_height_cm",
            "cm",
        ),
        (
            'median_years = {value = 5.5, unit = "growing seasons", status = "from memory"',
            'median_years = {value = 5.5, unit = "growing seasons", status = "published"',
            "grass_stage.median_years",
            "a source",
        ),
        (
            'median_years = {value = 5.5, unit = "growing seasons", status = "from memory"',
            'median_years = {value = 5.5, unit = "growing seasons", status = "known"',
            "grass_stage.median_years",
            "assumed",
        ),
        (
            "longest_years = {value = 30",
            "longest_years = {value = 8",
            "grass_stage.longest_years",
            "at least 11",
        ),
        (
            "longest_years = {value = 30",
            "longest_years = {value = 30.5",
            "grass_stage.longest_years",
            "whole number",
        ),
        ("[longevity]", "[longevety]", "longevity.years", "greatest age"),
        ('name = "longleaf pine"', "", "name", "text"),
        ('key = "longleaf-pine"', 'key = "longleaf"', "key", "file's own name"),
        (
            'name = "longleaf pine"',
            'name = "longleaf pine"\nname_of_author = "nobody"',
            "name_of_author",
            "table",
        ),
    ],
)
def test_each_fault_is_named_by_file_and_key(own_folder, old, new, key, words):
    folder, edit = own_folder
    edit(old, new)
    problems = problems_of(folder)
    assert all(problem.file == "longleaf-pine.toml" for problem in problems)
    told = [problem for problem in problems if problem.column == key]
    assert told, f"no problem names {key}: {problems}"
    assert any(words in f"{problem.expected} {problem.what_to_do}" for problem in told), told


def test_all_faults_are_told_at_once_in_the_order_of_the_file(own_folder):
    folder, edit = own_folder
    edit("autumn = {value = 1", "autumn = {value = 2")
    edit("adult_hazard_per_year = {value = 0.004", "adult_hazard_per_year = {value = -0.004")
    edit("emergence_height_cm = {", "emergence_height = {")
    assert [problem.column for problem in problems_of(folder)] == [
        "grass_stage.emergence_height_cm",
        "survival.adult_hazard_per_year",
        "germination.autumn",
        "grass_stage.emergence_height",
    ]


def test_a_file_that_is_no_toml_tells_the_line(own_folder):
    folder, edit = own_folder
    edit("[survival]", "[survival")
    (problem,) = problems_of(folder)
    assert "line" in problem.found


def test_an_empty_file_asks_for_every_number(tmp_path):
    (tmp_path / "longleaf-pine.toml").write_text("", encoding="utf-8")
    assert {problem.column for problem in problems_of(tmp_path)} >= {
        "key",
        "name",
        "species",
        *(name for name, quantity in QUANTITIES.items() if quantity.default is None),
    }


def test_the_reference_has_every_key_once_with_each_profiles_number_and_all_sources():
    reference = profile_reference()
    side_by_side = reference.split("## Sources")[0]
    rows = {
        line.split("`")[1]: line
        for line in side_by_side.splitlines()
        if line[:3] == "- `" and ": " in line
    }
    profiles = [quiet_load(key) for key in SHIPPED]
    for name in QUANTITIES:
        quantity = QUANTITIES[name]
        assert reference.count(f"- `{name}`: {quantity.meaning}") == 1
        idle = name.startswith("grass_stage.") and name != "grass_stage.present"
        numbers = {
            profile.key: profile.sourced(name)
            for profile in profiles
            if profile.has_grass_stage or not idle
        }
        marked = {
            key: f"{each.value:g}"
            + ("" if each.status == "assumed" else f" {STATUS_MARKS[each.status]}")
            for key, each in numbers.items()
        }
        shown = rows[name].split(": ")[-1]
        if idle:
            assert shown == ", ".join(f"`{key}` {number}" for key, number in marked.items())
        elif shown.startswith("all "):
            assert set(marked.values()) == {shown.removeprefix("all ")}
        else:
            assert shown == ", ".join(marked.values())
    sources = {profile.sourced(name).source for profile in profiles for name in QUANTITIES}
    assert all(source in reference for source in sources - {"none"})
