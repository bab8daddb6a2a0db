"""Words that crews use in place of the survey's own: species, codes, headings, names of tables.

The lists are data, in `models/synonyms/` beside the profiles. A word with two meanings is listed
with both, and is never taken for one of them.
"""

from __future__ import annotations

import difflib
import re
import tomllib
import unicodedata
from collections.abc import Iterable
from functools import cache

from standage.profiles import models_folder
from standage.survey.schema import Column

_SEPARATORS = str.maketrans(dict.fromkeys("-_\u2010\u2011\u2012\u2013\u2014\u2212\u00ad.,()", " "))
_OAK = re.compile(r"QU[A-Z]{2}\d{0,2}", re.IGNORECASE)
NEAR_WORD = 0.7
"""Similarity (difflib) from which a word is suggested for another."""
SHORTEST_WORD = 7
"""Letters of a name of a species from which another like it is taken for a slip: codes of a few
letters differ by one (assumption)."""
_YES_NO = Column("yes_no", "code", "", codes=("yes", "no"))
Meaning = str | tuple[str, ...] | None
"""One meaning, several, or none that is known."""


def plain(text: str) -> str:
    """A word without capitals, and with every dash, underscore, dot and run of blanks as one
    blank.

    >>> plain("P. Palustris"), plain("long-leaf__Pine")
    ('p palustris', 'long leaf pine')
    """
    text = text if text.isascii() else unicodedata.normalize("NFKC", text)
    return " ".join(text.casefold().translate(_SEPARATORS).split())


@cache
def synonym_list(name: str) -> dict:
    """One of the lists of `models/synonyms/`, as it is written."""
    path = models_folder() / "synonyms" / f"{name}.toml"
    return tomllib.loads(path.read_text(encoding="utf-8"))


@cache
def _species_words() -> dict[str, Meaning]:
    listed = synonym_list("species")
    words: dict[str, Meaning] = {
        plain(word): key for key, names in listed["names"].items() for word in names
    }
    return words | {plain(word): tuple(kinds) for word, kinds in listed["two_meanings"].items()}


def species_meaning(word: str, keys: Iterable[str]) -> Meaning:
    """The key of a profile that a word in a species column stands for. keys: of the profiles there
    are.

    >>> species_meaning("P. palustris", ["longleaf-pine"]), species_meaning("swamp-oak", [])
    ('longleaf-pine', None)
    """
    known = {plain(key): key for key in keys}
    own = known.get(plain(word))
    if own is not None:
        return own
    listed = _species_words().get(plain(word))
    if listed is None and plain(word).endswith(" p"):  # pine cut short
        return species_meaning(f"{plain(word)}ine", keys)
    if isinstance(listed, str):
        return listed if listed in known.values() else None
    return listed


def is_no_pine(word: str) -> bool:
    """Whether a word for a species is plainly one for another kind of tree.

    >>> is_no_pine("turkey oak"), is_no_pine("QULA2"), is_no_pine("Longleef")
    (True, True, False)
    """
    words = plain(word).split()
    known = set(synonym_list("species")["others"]["words"])
    return bool(known & set(words)) or _OAK.fullmatch(word.strip()) is not None


def words_of_species(keys: Iterable[str]) -> dict[str, str]:
    """Words of `SHORTEST_WORD` letters or more for the species with these profiles, without blanks,
    and the key of each.
    """
    known = set(keys)
    return {
        word.replace(" ", ""): key
        for word, key in _species_words().items()
        if isinstance(key, str) and key in known and len(word) >= SHORTEST_WORD
    }


def same_species(one: str, other: str) -> bool:
    """Whether two words in a species column are names of one species.

    >>> same_species("P. palustris", "Longleaf Pine"), same_species("swamp oak", "longleaf pine")
    (True, False)
    """
    listed = _species_words()
    meanings = [listed.get(plain(word), word) for word in (one, other)]
    first, second = (plain(each) if isinstance(each, str) else each for each in meanings)
    return first == second


@cache
def _code_words(table: str, column: str, codes: tuple[str, ...]) -> dict[str, Meaning]:
    listed = dict(synonym_list("codes").get(table, {}).get(column, {}))
    if set(codes) == {"yes", "no"}:
        listed |= synonym_list("codes")["yes_no"]
    doubtful = listed.pop("two_meanings", {})
    words: dict[str, Meaning] = {plain(word): tuple(of) for word, of in doubtful.items()}
    words |= {plain(word): code for code, names in listed.items() for word in names}
    return words | {plain(code): code for code in codes}


def code_meaning(table: str, column: Column, word: str) -> Meaning:
    """The code that a word in a column of codes stands for. An apostrophe before it is how
    spreadsheets mark text.

    >>> from standage.survey.schema import TREES
    >>> [code_meaning("trees", TREES.column("status"), word) for word in ("Alive", "'dead")]
    ['live', 'dead']
    """
    return _code_words(table, column.name, column.codes).get(plain(word.lstrip("'\u2019")))


def yes_or_no(word: str) -> Meaning:
    """Whether a mark or word in a column of yes and no is `yes` or `no`; None for another.

    >>> yes_or_no("Y"), yes_or_no("x"), yes_or_no("partly")
    ('yes', 'yes', None)
    """
    return code_meaning("", _YES_NO, word)


def nearest_code(table: str, column: Column, word: str) -> str | None:
    """The code whose own word, or another for it, a word is likely to be a misspelling of."""
    words = _code_words(table, column.name, column.codes)
    known = {each: meaning for each, meaning in words.items() if isinstance(meaning, str)}
    near = difflib.get_close_matches(plain(word[:100]), list(known), 1, NEAR_WORD)
    return known[near[0]] if near else None
