"""Remarks that say what no column says, or contradict one: told of, since nothing is read from
them.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

import numpy as np
import pandas as pd

from standage.causes import where_in_words
from standage.grammar import counted
from standage.problems import Problem
from standage.survey.cells.table_cells import heads_remarks
from standage.survey.checks.rows import Rows
from standage.survey.written import Stack, located

Files = Mapping[str, str]

_OUTSIDE = re.compile(
    r"\b(out(side)?( of)?|off|not in)( the)? plot\b|\bout\b,? (but )?on (the )?(line|edge|border)"
    r"|\bout(side)?\b.{0,20}\b(line|border)\b",
    re.IGNORECASE,
)
_PLANTED = re.compile(r"\bplant(ed|ation)\b", re.IGNORECASE)
_GONE = re.compile(
    r"\b(cut|felled|harvested|removed|salvaged)\b.{0,12}\b(1[89]|20)\d\d\b"
    r"|\b(dead|died) (since|after) \w|\b(dead|died)\b (in |by |last |this )?(the )?"
    r"(spring|summer|fall|autumn|winter|year|\d{4}|now|jan|feb|mar|apr|may|june?|july?|aug|sept?"
    r"|oct|nov|dec|january|february|march|april|august|september|october|november|december)\b",
    re.IGNORECASE,
)
_PART = "tops?|branch(?:es)?|limbs?|leader|needles?|wood|side|twigs?|bark|tree|pine|oak|snag"
_STUMP = re.compile(
    r"\bstumps?\b(?!.{0,3}sprout)|\bsnag\b|\bdied\b(?! back)"
    rf"|(?<!half[ -])\bdead\b(?![ -]?(?:{_PART})\b)|^\s*(?:standing )?dead\b(?! (?:{_PART})\b)"
    r"|^\W*(?:standing )?dead (?:tree|pine|oak)\W*$"
    rf"|\b(uprooted|wind[ -]?thrown?|toppled|bl(own|ew) (down|over))\b|\bfallen\b(?! (?:{_PART}))"
    r"|\bfell (in|over|down|during)\b|\bkilled (by|in)\b|^\W*(is )?down\W*$",
    re.IGNORECASE,
)
_CORED = re.compile(
    r"(?<!not )(?<!n't )(?<!never )(?<!un)\bcored\b(?! (in|on) \d)"
    r"|\bcore (broke|crumbled|fell apart|was lost|lost|not kept)",
    re.IGNORECASE,
)
_SAME_TREE = re.compile(
    r"\b(bored|cored) (again|twice)\b|\b(2nd|second|other) (boring|core)\b"
    r"|\bsame (tree|stem) as\b|\bother side of (the |same )?(tree|stem)\b",
    re.IGNORECASE,
)
_DIAMETER = re.compile(
    r"\b(dbh|diam(eter)?)\b(?! (?:under|below|over|about|[<>~]) ?\d)"
    r".*(\d|really|wrong|should|inch|estimat|doubt|guess)"
    r"|\b(wrong|estimated|guessed)\b.*\b(dbh|diam(eter)?)\b",
    re.IGNORECASE,
)
_DOUBTED = re.compile(
    r"\b(wrong (tree|core|tag|number|plot|stand)|swapped|mixed up|mislabell?ed|do(n't| not) use"
    r"|not to be used|unusable|disregard|ignore|which tree|not sure|unsure|duplicate[ds]?"
    r"|(sent|entered|submitted|typed|recorded) twice|delete (me|this|row|entry)|(^|just a )test"
    r"|test (row|entry|record|form))\b",
    re.IGNORECASE,
)
_COUNT = re.compile(r"(\+/-|±|plus or minus|give or take) *\d|could be (off|more|less)", re.I)
_BARK_LOST = re.compile(
    r"\b(outer(most)?|last)( few| \d+(-\d+)?)? (rings?|wood|part|end)\b"
    r".*\b(lost|missing|gone|decayed|eroded|broken|broke off)\b"
    r"|\bsapwood\b.*\b(lost|missing|gone|decayed|eroded)\b"
    r"|\bfirst( few| \d+(-\d+)?)? rings?\b.*\b(lost|missing|gone|broken|broke off)\b"
    r"|\b(lost|missing)( the)? (outer(most)?|last)( few| \d+(-\d+)?)? (rings?|wood|end)\b"
    r"|\bbark\b.{0,12}\b(absent|missing|gone|lost|fell off|broken off|broke off)\b"
    r"|\b(outer|bark) (end|side|part)\b.{0,12}\b(absent|missing|gone|lost|broken?|off)\b"
    r"|\b(broken?|lost)\b.{0,12}\b(outer|bark) (end|side|part)\b"
    r"|\b(no|without|lost) (the )?bark\b(?! beetle)",
    re.IGNORECASE,
)
_READ_TWICE = re.compile(
    r"\b(2nd|second|another|other|further) (reading|count)\b|\bre-?(read|count)(ed|ing)?\b",
    re.IGNORECASE,
)
_OF_SOME = re.compile(
    r"\b(\d+|one|two|three|some|most|half|several|few|part|rest) of (the|them|these|those)\b(?! \d)"
    r"|\bmixed with\b",
    re.IGNORECASE,
)
_NO_CENTRE = re.compile(
    r"(?<!base )(?<!butt )(?<!stump )\b(hollow(?! (?:base|butt|stump))"
    r"|no pith|pith (not|missing|gone)|missed (the )?pith|rott?en (cent\w+|heart|core)"
    r"|heart ?rot)\b",
    re.IGNORECASE,
)
_TRIED = re.compile(
    r"\b(rotten|hollow|rot|unreadable)\b.*\bno (count|core|rings|sample)\b"
    r"|\bno (count|core|rings)\b.*\b(rotten|hollow|rot|unreadable)\b"
    r"|\b(too rotten|could ?n[o']t) (to )?(bore|core|count|be (bored|cored|counted|read))\b",
    re.IGNORECASE,
)
_SCAR = re.compile(r"\b(scars?|scarred|cat[- ]?fac(?:e|es|ed))\b", re.IGNORECASE)
_NO_FIRE = re.compile(r"\blightning\b", re.IGNORECASE)
"""What makes a remark one that matters (common practice, no source)."""

OF_A_CORE = ("outer_ring", "centre", "count_sd", "at_least")
ADVICE = {
    _CORED: "It is not read from the remark: if the stem was cored, give its core a row in cores,"
    " or write what came of it into core_outcome.",
    _COUNT: "It is not read from the remark: write by how many rings the count may be off (two in"
    " three) into a column count_sd.",
    _BARK_LOST: "It is not read from the remark: if outer rings are missing, write `lost` as"
    " outer_ring, or the rings counted as a least number (70+).",
    _STUMP: "It is not read from the remark: write dead or stump into status if the stem doesn't"
    " live; the diameter of a stump is none at breast height: leave dbh blank.",
    _TRIED: "It is not read from the remark: write what came of coring into a column core_outcome"
    " (no_sound_wood, unreadable); failed cores are evidence too.",
    _PLANTED: "It is not read from the remark: if the stem was planted, write planted into a column"
    " origin, and the year, if it is known, into planted_year: else it is dated as one that came by"
    " itself.",
    _SAME_TREE: "It is not read from the remark: if two cores were taken of it, give each a row"
    " in cores; if it is the stem of another row, write the same tree in both, or it is counted and"
    " dated twice.",
    _OF_SOME: "It is not read from the remark: if some plants are of another species, write a row"
    " for each species, with its own number.",
    _READ_TWICE: "It is not read from the remark: if the core was read once more, move this row"
    " into a table core_readings; as a core of its own it counts twice.",
}
"""What to do about some of them."""
IF_IT_MATTERS = (
    "It is not read from the remark: if it matters, correct the columns, or take the row out."
)


def judge_remarks(
    frames: Mapping[str, pd.DataFrame], files: Files, warnings: list[Problem]
) -> None:
    """Each remark that may matter as a warning, all of a kind in the same words, so that they are
    folded into one line.
    """
    trees, cores = frames["trees"], frames["cores"]
    of_tree: dict[str, list[dict[str, str]]] = {}
    for tree, *said in Rows(cores).row_keys(("tree", *OF_A_CORE)):
        of_tree.setdefault(tree, []).append(dict(zip(OF_A_CORE, said, strict=True)))
    several = {tree for tree, own in of_tree.items() if len(own) > 1}
    for name, frame in (("trees", trees), ("cores", cores), ("counts", frames["counts"])):
        for column in (each for each in frame.columns if heads_remarks(each)):
            with_words = np.flatnonzero(frame[column].to_numpy() != "")
            # most tables have none, and to take no rows out takes as long as a whole check
            for cells in frame.iloc[with_words].to_dict("records") if len(with_words) else ():
                wanted = [_DOUBTED] if name != "counts" else [_OF_SOME]
                if name == "trees":
                    wanted += _of_a_stem(cells, len(of_tree.get(cells["tree"], [])))
                # remarks on the core stand with its stem where both are in one row
                own = of_tree.get(cells["tree"], []) if name == "trees" else [cells]
                own = [] if name == "counts" else own
                for core in own:
                    wanted += _of_a_core(core)
                if any(pd.isna(core["count_sd"]) for core in own):
                    wanted.append(_COUNT)
                wanted += [_READ_TWICE] if name == "cores" and cells["tree"] in several else []
                found = [pattern for pattern in wanted if pattern.search(cells[column])]
                if found:
                    warnings.append(
                        Problem(
                            files[name],
                            int(cells["row"]),
                            column,
                            f"'{cells[column]}'",
                            "no remark that changes what the columns say",
                            ADVICE.get(found[0], IF_IT_MATTERS),
                        )
                    )


def note_scars(
    frames: Mapping[str, pd.DataFrame], files: Files, stacks: Mapping[str, Stack], notes: list[str]
) -> None:
    """Which remarks on stems and cores name a scar of which no column says anything."""
    trees = Rows(frames["trees"])
    scarred = set(trees["tree"][trees["scar"] != ""])
    found = [
        Problem(files[name], int(row), column, cell, "", "")
        for name in ("trees", "cores")
        for column in (each for each in frames[name].columns if heads_remarks(each))
        for cell, tree, row in Rows(frames[name]).row_keys((column, "tree", "row"))
        if cell and tree not in scarred and _SCAR.search(cell) and not _NO_FIRE.search(cell)
    ]
    if found:
        where, rows = where_in_words([(each.file, each.row) for each in located(found, stacks)])
        notes.append(
            f"{counted(len(found), 'remark')} {'names' if len(found) == 1 else 'name'} a scar"
            f" ({where}, {rows}), not read from there: its kind belongs into a column scar of"
            " trees (fire, turpentine), the years of fires into a table events"
        )


def _of_a_stem(cells: Mapping, cores: int) -> list[re.Pattern]:
    """What would contradict the row of a stem with so many cores."""
    found = [] if cells["status"] == "stump" else [_DIAMETER]  # of a stump, its own
    found += [] if cores or cells["core_outcome"] else [_TRIED, _CORED]
    found += [_OUTSIDE] if cells["plot"] else []
    found += [_SAME_TREE] if cores <= 1 else []
    found += [] if cells["origin"] == "planted" else [_PLANTED]
    return found + ([_STUMP, _GONE] if cells["status"] == "live" else [])


def _of_a_core(cells: Mapping) -> list[re.Pattern]:
    """What would contradict the row of a core."""
    whole = cells["outer_ring"] == "unknown" and cells["at_least"] != "yes"
    found = [_BARK_LOST] if whole else []
    return found + ([_NO_CENTRE] if cells["centre"] in ("pith", "arcs") else [])
