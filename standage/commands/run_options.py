"""What a run may be asked: the one list of its options. The commands parse into it, provenance
records it, and a run is repeated from it.

An option added here, with a click option of the same name among
`standage.commands.cli.fit_options`, is recorded, compared and repeated by itself.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from typing import Any


@dataclass(frozen=True)
class RunOptions:
    """Everything that changes what a run writes. What makes no difference to it, such as
    processors, doesn't belong here.

    level : credible level of every interval. draws, chains : of the sampler, kept draws of each of
        the chains. profile_folder : the user's
    own species profiles, if any. coordinates : how exactly places may be told, see
        `standage.survey.coordinates`. units : of the report.
    release_criterion : how releases are told from ring widths, the model `change_point` or the name
        of a published criterion.
    emergence : whether openings may have changed the pace of emergence, see
        `standage.stand.fit.fit_stands`.
    xlsx : whether the tables come as one workbook too.
    style : of the figures in their folder, see `standage.figures.styles`; the report has its own.
    """

    seed: int = 1
    level: float = 0.9
    profile_folder: str | None = None
    draws: int = 1000
    chains: int = 4
    coordinates: str = "as-given"
    emergence: str = "off"
    units: str = "metric"
    release_criterion: str = "change_point"
    xlsx: bool = False
    style: str = "screen"

    def recorded(self) -> dict[str, Any]:
        """By name, as provenance.json holds them under `options`. A subclass may know more; that
        isn't recorded.
        """
        return {name: value for name, value in asdict(self).items() if name in OPTION_NAMES}

    @classmethod
    def from_record(cls, record: Mapping[str, Any]) -> RunOptions:
        """What `recorded` gave. Raises KeyError with the name of an option that is missing or that
        this version does not know.
        """
        odd = set(record) ^ set(OPTION_NAMES)
        if odd:
            raise KeyError(sorted(odd)[0])
        return cls(**record)


OPTION_NAMES = tuple(field.name for field in fields(RunOptions))
