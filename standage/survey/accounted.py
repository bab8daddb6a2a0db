"""What becomes of everything a survey lists, in numbers that add up: the record, and its words."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from itertools import zip_longest

from standage.grammar import capital, counted, listed

IN_HISTORY, ALONE, TALLIED, LEFT_OUT = "in the history", "dated alone", "tallied", "left out"
PARTS = (IN_HISTORY, ALONE, TALLIED, LEFT_OUT)
"""What becomes of a stem, core or count: it is evidence of its stand's history; it is dated by
itself; its species has no profile; or nothing is made of it.
"""

MUCH = 0.25
"""Share of the live stems, basal area or counts of a stand that may not be missing from its history
without a word from whoever runs it: numbers by the hectare are then out by a third (assumption).
"""

REASONS_NAMED = 3
NO_PROFILE = "no profile for the species"


@dataclass(frozen=True)
class Unused:
    """A stem, core or count that is not in the history, nor dated. sheet: its own, "" where its
    kind is in one. row: in the file of its kind, or in the sheet.
    """

    what: str
    name: str
    sheet: str
    row: int
    part: str
    reason: str


@dataclass(frozen=True)
class Tally:
    """Things of one kind, each in one of `PARTS`.

    what: their name in the plural. parts: number by part. reasons: number by reason, of those left
    out. unused: those left out and those tallied, one by one, where they have names.
    """

    what: str
    parts: Mapping[str, int]
    reasons: Mapping[str, int]
    unused: tuple[Unused, ...] = ()

    @property
    def listed(self) -> int:
        return sum(self.parts.values())

    @property
    def one(self) -> str:
        """The name of one of them."""
        return self.what if self.what == "ring series" else self.what.removesuffix("s")

    @property
    def left_out(self) -> int:
        return self.parts[LEFT_OUT]

    def __str__(self) -> str:
        """`stems: 12 listed = 9 in the history + 3 left out (3 dead and not cored)`."""
        if not self.listed:
            return f"{self.what}: none"
        parts = [f"{number} {part}" for part, number in self.parts.items() if number]
        why = f" ({self.why()})" if self.left_out else ""
        return f"{self.what}: {self.listed} listed = {' + '.join(parts)}{why}"

    def why(self) -> str:
        """The commonest reasons for leaving out, with their numbers where there are several."""
        often = sorted(self.reasons.items(), key=lambda each: -each[1])
        if len(often) == 1:
            return often[0][0]
        named = [f"{number} {reason}" for reason, number in often[:REASONS_NAMED]]
        more = sum(number for _, number in often[REASONS_NAMED:])
        return "; ".join(named + ([f"{more} for other reasons"] if more else []))

    def record(self) -> dict:
        """As provenance holds it."""
        plain = {part.replace(" ", "_"): number for part, number in self.parts.items()}
        return {"listed": self.listed, **plain, "left_out_why": dict(self.reasons)}


def tally(
    what: str,
    parts: Iterable[str],
    reasons: Iterable[str],
    named: Iterable[tuple[str, int, str]] = (),
) -> Tally:
    """A tally of things one by one: the part of each, and the reason of each that is left out.
    named: their names, rows and sheets, where they have any.
    """
    numbers = dict.fromkeys(PARTS, 0)
    why: dict[str, int] = {}
    unused = []
    for (part, reason), known in zip_longest(zip(parts, reasons, strict=True), named):
        numbers[part] += 1
        if part == LEFT_OUT:
            why[reason] = why.get(reason, 0) + 1
        if known is not None and part in (LEFT_OUT, TALLIED):
            name, row, sheet = known
            unused.append(Unused(what, str(name), sheet, int(row), part, reason or NO_PROFILE))
    return Tally(what, numbers, why, tuple(unused))


def lines_of_unused(tallies: Iterable[Tally]) -> list[str]:
    """A line for each kind and reason: every one by its name, with its row."""
    alike: dict[tuple[str, str, str], list[str]] = {}
    for each in (one for of in tallies for one in of.unused):
        alike.setdefault((each.what, each.part, each.reason), []).append(
            f"{each.name} (row {each.row}{f' of {each.sheet}' if each.sheet else ''})"
        )
    return [
        f"{what} {part}, {reason}: {', '.join(names)}"
        for (what, part, reason), names in alike.items()
    ]


@dataclass(frozen=True)
class Missing:
    """Much of a stand that is missing from its history. share: of `what`, 0 to 1."""

    stand: str
    what: str
    share: float
    why: str

    def __str__(self) -> str:
        return f"{self.stand}: {self.share:.0%} of the {self.what} ({self.why})"


@dataclass(frozen=True)
class Account:
    """Everything that a survey lists, by what becomes of it.

    tallies: stems, cores, plots, stage counts, sections, events and ring series. missing: of which
    stands so much is left out, or only tallied, that the answer would be another. histories: how
    many species of stands have one; without any the stand model refuses.
    """

    tallies: tuple[Tally, ...]
    missing: tuple[Missing, ...]
    histories: int

    def of(self, what: str) -> Tally:
        """The tally of that name. Raises KeyError."""
        for each in self.tallies:
            if each.what == what:
                return each
        raise KeyError(what)

    @property
    def complete(self) -> bool:
        """Whether every stem of a species with a profile, and every core and count, takes part."""
        stems, rest = self.of("stems"), [self.of("cores"), self.of("stage counts")]
        lost = stems.left_out or any(each.left_out + each.parts[TALLIED] for each in rest)
        return not lost and not self.missing

    def __str__(self) -> str:
        """A line for stems, cores and whatever is not all in the history; one for the rest."""
        named = [each for each in self.tallies if each.listed]
        whole = [
            each
            for each in named
            if each.parts[IN_HISTORY] == each.listed and each.what not in ("stems", "cores")
        ]
        lines = [str(each) for each in named if each not in whole]
        if whole:
            all_of = listed([counted(each.listed, each.one, each.what) for each in whole])
            lines.append(f"all in the history: {all_of}")
        return "\n".join(lines)

    def in_a_line(self) -> str:
        """What doesn't take part, in numbers, as one sentence; "" where all does."""
        if self.complete:
            return ""
        of = (self.of("stems"), self.of("cores"), self.of("stage counts"))
        left = [
            f"{each.left_out} of {counted(each.listed, each.one, each.what)} ({each.why()})"
            for each in of
            if each.left_out
        ]
        tallied = [
            counted(each.parts[TALLIED], each.one, each.what) for each in of if each.parts[TALLIED]
        ]
        parts = [f"left out: {', '.join(left)}"] if left else []
        if tallied:
            parts.append(f"only tallied, for want of a profile: {', '.join(tallied)}")
        return f"Not everything takes part. {capital('; '.join(parts))}."

    def refusal(self) -> str:
        """Why a run would tell another stand than the one surveyed; "" where it wouldn't."""
        if not self.missing:
            return ""
        lines = [f"- {each}" for each in self.missing]
        return "\n".join(
            [
                "So much of the survey takes no part in the history that the answer would be"
                " another:",
                *lines,
                "Correct the survey (`standage check` says where), or go on without them:"
                " --accept-left-out.",
            ]
        )

    def record(self) -> dict:
        """As provenance holds it."""
        kinds = {each.what.replace(" ", "_"): each.record() for each in self.tallies}
        return kinds | {
            "missing_from_history": [str(each) for each in self.missing],
            "in_words": [
                *([self.in_a_line()] if not self.complete else []),
                *str(self).split("\n"),
            ],
        }
