"""Headings as people write them: which column of a table each one names, and in what unit its
values are.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache, lru_cache

from standage.errors import Problem
from standage.survey.readings import HEADING, MAPPED, Reading
from standage.survey.schema import Column, Table
from standage.survey.synonyms import plain, synonym_list
from standage.survey.units import MEASURES, factor, how_to_convert, measure_of

QUALIFIERS = {"number", "no", "num", "nr", "id", "name", "code", "label", "identifier"}
"""Words at the end of a heading that say only that it is a name."""
LESS_SURE = {"cored at", "core at", "no", "nr", "id"}
"""Headings that give way to others for the same column: their cells show what they hold, or they
number the rows."""
EMPTY_WORDS = {"of", "the", "to", "at", "in", "on", "and", "a"}
FAR = ("m", "ft")
"""Units of distances between trees, in which nothing of a core is that would have to be guessed
(assumption)."""
SHARED_WORDS = 0.49
"""Share of the words of two headings, taken together, from which one may be the other
(assumption)."""
_JOINED_WORDS = re.compile(r"(?<=[a-z])(?=[A-Z])|(?<=[A-Z]{2})(?=(?:cm|mm|in|ft)\b)")
"""Where words are parted by capitals alone: `InnerYr`, `DBHcm`."""
_DBH = re.compile(r"\bd[. ]{0,2}b[. ]{0,2}h\b\.?", re.IGNORECASE)
_AT_HEIGHT = re.compile(
    r"(?:ring(?:s| count| ct)?|count) ?(?:counted |taken )?(?:"
    r"(?:@|at\b|[(\[]\s*(?:@|at\b))\s*(?P<height>\d+(?:\.\d+)?\s*(?:ft|feet|in|inch(?:es)?|cm|m|'|\"))"
    r"|(?:@|at\b|[(\[]\s*(?:@|at\b)?)?\s*(?P<breast>d?bh|breast (?:height|ht)))\.?\s*[)\]]?",
    re.IGNORECASE,
)
_MISSED = {"missed", "missing", "short", "lacking"}
_RINGS = {"ring", "rings", "years"}
_GUESSED = {"guess", "guessed", "est", "estimate", "estimated", "estimation", "approx"}
_OF_MISSED = {
    *_MISSED,
    *_RINGS,
    *_GUESSED,
    *("pith", "centre", "add", "number", "no", "to", "of", "the", "at", "from", "core"),
    *("yr", "yrs", "count", "counted", "cores"),
    *("overlay", "template", "concentric", "circles", "with", "by"),
}
_OF_CORES = {"boring", "core", "coring", "lab", "cores"}
_REMARK = {"notes", "remarks", "remark", "comments", "comment", "note"}
"""Words of headings that are understood in any order (common practice, no source)."""
_BRACKETS = re.compile(r"[(\[]([^)\]]*)[)\]]")


@dataclass(frozen=True)
class Heading:
    """What a heading names. unit: of its values, "" where it should say one and doesn't. means: in
    words, where it may name two things; instead: columns whose presence makes that no matter.
    """

    column: str
    unit: str = ""
    means: str = ""
    instead: tuple[str, ...] = ()


@dataclass(frozen=True)
class Header:
    """A header row as read. names: of the columns, own headings as written. units: of columns whose
    values are in another unit than the column's, "" where none is said. written: headings by
    column, where they are other than its name.
    """

    names: list[str]
    units: dict[str, str]
    written: dict[str, str]


def has_unit_in_name(column: Column) -> bool:
    """Whether the name of a column ends in its unit, so that a heading must say it too."""
    return column.unit in MEASURES and column.name.endswith(f"_{column.unit}")


def _base(column: Column) -> str:
    """The name of a column without its unit, in plain words."""
    name = column.name
    if column.unit and name.endswith(f"_{column.unit}"):
        name = name.removesuffix(f"_{column.unit}")
    return _words(name)


def _words(text: str) -> str:
    """Plain words of a heading, short forms written out, without words that say only that it is a
    name.
    """
    short = synonym_list("headings")["words"]
    words = [short.get(word, word) for word in plain(re.sub(r"[#:?*/\\\"']", " ", text)).split()]
    while len(words) > 1 and words[-1] in QUALIFIERS:
        words.pop()
    return " ".join(words)


def without_unit(heading: str) -> tuple[str, str]:
    """Plain words of a heading, and the unit of measure it says, "" without one.

    >>> without_unit("DBH (in.)"), without_unit("Core height, cm"), without_unit("Tree #")
    (('dbh', 'in'), ('core height', 'cm'), ('tree', ''))
    """
    heading = _JOINED_WORDS.sub(" ", _DBH.sub("DBH", heading))
    outside = _BRACKETS.sub(" ", heading)
    for inside in _BRACKETS.findall(heading):
        unit = measure_of(inside)
        if unit:
            return _words(outside), unit
    words = (plain(outside) or plain(heading)).split()
    if len(words) > 1 and words[0] in ("mm", "cm"):  # `mm to pith`
        return _words(" ".join(words[1:])), words[0]
    for length in (2, 1):
        unit = measure_of(" ".join(words[-length:])) if len(words) > length else None
        if unit:
            rest = words[:-length]
            return _words(" ".join(rest[:-1] if rest[-1] == "in" and len(rest) > 1 else rest)), unit
    return _words(" ".join(words)), ""


@cache
def _known(table: Table) -> dict[str, Heading]:
    """Every plain heading of a table, and what it names."""
    names = {column.name for column in table.columns}
    known: dict[str, Heading] = {}
    doubtful: dict[str, list[str]] = {}
    for column in reversed(table.columns):  # of two that share a word the first
        known |= {_words(column.name): Heading(column.name), _base(column): Heading(column.name)}
    for of in (*table.like, table.name):
        for column, words in synonym_list("headings").get(of, {}).items():
            if column == "two_meanings":
                doubtful |= words
            elif column in names:
                known |= {_words(word): Heading(column) for word in words}
    for word, (*columns, means) in doubtful.items():
        known[_words(word)] = Heading(columns[0], means=means, instead=tuple(columns))
    return known


@lru_cache(maxsize=10_000)
def heading_of(table: Table, written: str) -> Heading | None:
    """The column of a table that a heading names; None where it is no heading of the table.

    >>> from standage.survey.schema import CORES
    >>> heading_of(CORES, "Rings missed (guess)").column
    'rings_to_pith'
    >>> [heading_of(CORES, f"Est. missing rings {of}") for of in ("bark side", "(sapwood)")]
    [None, None]
    """
    if any(written == column.name for column in table.columns):
        return Heading(written, table.column(written).unit)
    for column in table.columns:
        if written in column.earlier_names:
            return Heading(column.name, column.unit)
    base, unit = without_unit(written)
    whole = _known(table).get(_words(written)) if unit == "in" else None
    if whole is not None and table.column(whole.column).unit == "calendar year":
        base, unit = _words(written), ""  # `yr in` is no year in inches
    found = _known(table).get(base) or _known_in_any_order(table).get(_content(base))
    if by_rule := _by_rule(table, written, base, unit):
        return by_rule
    if found is None or found.means:
        return found
    if set(base.split()) & _MISSED and _in_brackets(written) - _OF_MISSED:
        return None  # missed elsewhere: `missing rings (sapwood)`
    column = table.column(found.column)
    if unit and base in LESS_SURE and factor(unit, "cm") is not None:
        return Heading("height_cm", unit)
    if unit:
        return Heading(column.name, unit) if factor(unit, column.unit) is not None else None
    return Heading(column.name, "" if has_unit_in_name(column) else column.unit)


def _content(words: str) -> frozenset[str]:
    return frozenset(words.split()) - EMPTY_WORDS


@cache
def _known_in_any_order(table: Table) -> dict[frozenset[str], Heading]:
    """Headings of several words by their set, where it names one thing: `yr inner`."""
    found: dict[frozenset[str], Heading] = {}
    doubtful = set()
    for known, heading in _known(table).items():
        words = _content(known)
        if len(words) > 1 and found.setdefault(words, heading) != heading:
            doubtful.add(words)
    return {words: heading for words, heading in found.items() if words not in doubtful}


def height_in_heading(heading: str) -> str:
    """The height at which rings were counted by their heading, "" where it gives none.

    >>> height_in_heading("Rings @ 1 ft"), height_in_heading("Rings")
    ('1 ft', '')
    """
    found = _AT_HEIGHT.fullmatch(heading.strip())
    return (found["height"] or found["breast"]) if found else ""


def _in_brackets(written: str) -> set[str]:
    return set(_words(" ".join(_BRACKETS.findall(written))).split())


def _by_rule(table: Table, written: str, base: str, unit: str) -> Heading | None:
    """What a heading of cores names by a rule, whatever its other words: rings at a height, rings
    missed as far as somebody guesses, the distance to the pith, remarks on cores.
    """
    columns = {column.name for column in table.columns}
    if not {"ring_count", "height_cm", "rings_to_pith", "centre"} <= columns:
        return None
    if height_in_heading(written):
        return Heading("ring_count", "rings")
    words = set(base.split()) | _in_brackets(written)
    to_pith = words & {"pith", "centre"} or words & _GUESSED
    counted = words & _RINGS or "add" in words
    if words & _MISSED and counted and to_pith and words <= _OF_MISSED:
        return Heading("rings_to_pith", "rings")
    if (
        base in ("pith", "centre", "to pith", "to centre")
        and unit
        and factor(unit, "mm") is not None
    ):
        return Heading("pith_distance_mm", unit)
    if "core_note" in columns and words & _OF_CORES and words & _REMARK:
        return Heading("core_note")
    return None


def has_two_meanings(table: Table, written: str) -> bool:
    """Whether a heading is one of those that may mean two things in the table."""
    found = heading_of(table, written)
    return found is not None and bool(found.means)


def like_column(table: Table, written: str, header: Sequence[str]) -> str | None:
    """The column that a heading shares most words with, where no heading names it; None where few
    are shared.

    >>> from standage.survey.schema import CORES
    >>> like_column(CORES, "Guess of rings to pith", []), like_column(CORES, "Weather", [])
    ('rings_to_pith', None)
    """
    if heading_of(table, written) is not None:  # of another table, where it is right
        return None
    own, unit = without_unit(written)
    if unit in FAR:
        return None
    words = set(own.split()) - EMPTY_WORDS
    best, most = None, SHARED_WORDS
    for known, heading in _known(table).items():
        theirs = set(known.split()) - EMPTY_WORDS
        if len(theirs) < 2 or heading.column in header or heading.column == "note":
            continue
        share = len(words & theirs) / len(words | theirs)
        if share > most:
            best, most = heading.column, share
    return best


def columns_named(table: Table, header: Sequence[str]) -> set[str]:
    """The columns of the table that a row names, were it the header."""
    found = (heading_of(table, cell.strip()) for cell in header if cell.strip())
    return {heading.column for heading in found if heading is not None and not heading.means}


def headings_known(table: Table, header: Sequence[str]) -> int:
    """How many columns of the table a row names, were it the header."""
    return len(columns_named(table, header))


def read_header(
    table: Table,
    file: str,
    row: int,
    written: Sequence[str],
    problems: list[Problem],
    readings: list[Reading],
    mapped: Mapping[str, tuple[str, str]] | None = None,
) -> Header:
    """The names of the columns in a header row. Headings that may mean two things are problems; own
    ones stay as they are. mapped: column and unit of headings by a mapping file, which is not
    doubted.
    """
    names: list[str] = list(written)
    units: dict[str, str] = {}
    mapped = mapped or {}
    for place, name in enumerate(written):
        if name in mapped:
            _map(table, mapped[name], place, names, units, (file, row), readings)
    written, given = list(names), written
    exact = {name for name in written if any(name == column.name for column in table.columns)}
    claims: dict[str, list[tuple[int, Heading]]] = {}
    doubtful: list[tuple[str, Heading]] = []
    for place, name in enumerate(written):
        heading = heading_of(table, name) if name and name not in exact else None
        if heading is None or heading.column in exact:
            continue
        if heading.means:
            doubtful.append((name, heading))
        else:
            claims.setdefault(heading.column, []).append((place, heading))
    for name, heading in doubtful:
        if not any(column in exact or column in claims for column in heading.instead):
            problems.append(
                Problem(
                    file,
                    row,
                    name,
                    f"the heading '{name}', which may mean {heading.means}",
                    "a heading with one meaning",
                    "Rename the column to what it holds.",
                )
            )
            if heading.column == "dbh_cm":  # else every stem would be one without a diameter
                names[list(written).index(name)] = heading.column
                unit = without_unit(name)[1]
                if unit and unit != table.column(heading.column).unit:
                    units[heading.column] = unit
    for column, claimed in claims.items():
        own = [each for each in claimed if each[1].unit == table.column(column).unit]
        if len(claimed) > 1 and len(own) == 1:  # the same measure in two units
            claimed = own
        sure = [each for each in claimed if plain(written[each[0]]) not in LESS_SURE]
        claimed = sure or claimed
        if len({names[place] for place, _ in claimed}) > 1:
            both = " and ".join(f"'{names[place]}'" for place, _ in claimed)
            problems.append(
                Problem(
                    file,
                    row,
                    names[claimed[0][0]],
                    f"{both}, each of which may be the column '{column}'",
                    f"one column that is '{column}'",
                    f"Rename the right one to '{column}', and the other to something unlike it.",
                )
            )
            continue
        for place, heading in claimed:
            _claim(table.column(column), heading, place, names, units, (file, row), readings)
    renamed = {name: heading for name, heading in zip(names, given, strict=True) if name != heading}
    return Header(names, units, renamed)


def _map(
    table: Table,
    target: tuple[str, str],
    place: int,
    names: list[str],
    units: dict[str, str],
    at: tuple[str, int],
    readings: list[Reading],
) -> None:
    """Name a column as the mapping file says; one that isn't used keeps its heading, marked so that
    it is taken for no other.
    """
    column, unit = target
    written = names[place]
    said = without_unit(written)[1]
    if column and not unit and said and factor(said, table.column(column).unit) is not None:
        unit = said
    if not column:
        names[place] = f"{written} (own)" if heading_of(table, written) else written
        return
    names[place] = column
    as_read = column
    if unit and unit != table.column(column).unit:
        units[column] = unit
        as_read += f", in {unit}: {how_to_convert(unit, table.column(column).unit)}"
    readings.append(Reading(*at, column, written, as_read, MAPPED))


def _claim(
    column: Column,
    heading: Heading,
    place: int,
    names: list[str],
    units: dict[str, str],
    at: tuple[str, int],
    readings: list[Reading],
) -> None:
    """Put the column's name in the place of the heading, and note its unit."""
    written, names[place] = names[place], column.name
    as_read = column.name
    if heading.unit != column.unit:
        units[column.name] = heading.unit
        if heading.unit:
            as_read += f", in {heading.unit}: {how_to_convert(heading.unit, column.unit)}"
    readings.append(Reading(*at, column.name, written, as_read, HEADING))
