"""Surveys written with the names of earlier forms are read as before."""

from pathlib import Path

import pandas as pd
from good_survey import write_survey

from standage.survey.reading import read_survey

EARLIER = {  # file, name now, name then
    "trees.csv": [("crown_class", "canopy_position"), ("suppressed", "overtopped")],
    "cores.csv": [
        ("rings_to_pith", "missing_rings"),
        ("pith_distance_mm", "missing_mm"),
        ("rotten", "decayed"),
    ],
    "known_age_stems.csv": [("stem,", "section,")],
}


def test_names_of_earlier_forms_are_still_read(tmp_path: Path):
    cells = [
        ("trees", 0, "crown_class", "suppressed"),
        ("trees", 1, "crown_class", "intermediate"),
        ("cores", 0, "rings_to_pith", "4"),
        ("cores", 0, "rings_to_pith_sd", "2"),
        ("cores", 0, "pith_distance_mm", "6"),
    ]
    now = read_survey(write_survey(tmp_path / "now", changes=cells))
    then = write_survey(tmp_path / "then", changes=cells)
    for file, names in EARLIER.items():
        text = (then / file).read_text().replace("intermediate", "middle")
        for new, old in names:
            assert new in text
            text = text.replace(new, old)
        (then / file).write_text(text)
    (then / "known_age_stems.csv").rename(then / "sections.csv")
    survey = read_survey(then)
    for name in ("trees", "cores", "known_age_stems"):
        pd.testing.assert_frame_equal(getattr(survey, name), getattr(now, name))
    read = {(reading.as_written, reading.as_read) for reading in survey.readings}
    assert {
        ("missing_rings", "rings_to_pith"),
        ("missing_rings_sd", "rings_to_pith_sd"),
        ("canopy_position", "crown_class"),
        ("decayed", "rotten"),
        ("overtopped", "suppressed"),
        ("middle", "intermediate"),
        ("sections.csv", "known_age_stems"),
        ("section", "stem"),
    } <= read
    assert not now.readings
