"""What the fit of a survey takes in memory: which of its draws are held, and whether there is room
for them.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import numpy as np
import psutil

from standage.errors import StandageError
from standage.evidence.delays import species_delays
from standage.stand.data import StandData
from standage.stand.parameters import layout
from standage.survey.survey import Survey

# all draws are held while they take less; beyond it every second, third and so on, but never fewer
# than the least number, of which fewer can hardly show that their chains agree (assumption).
# [bytes]
PLENTY = 0.8e9
LEAST_HELD = 2000
# where that many take more than so much, some fewer; 500 points have an error of 2.5 % (assumption)
MOST_BYTES, LEAST_OF_MANY_STANDS = 1.2e9, 500
# of the prior, as many as take a quarter of that, within these: 300 know a chance within 0.03
LEAST_PRIOR, MOST_PRIOR = 300, 1000
SINGLE, DOUBLE = 4, 8  # bytes of a number
# where Linux states the limits of a container or a batch system, and of which a process is
CONTROL_GROUPS, OWN_GROUPS = Path("/sys/fs/cgroup"), Path("/proc/self/cgroup")
# measured with 1 and 60 stands (docs/validation.md): the program itself, and how many times what
# the draws take `standage run` takes at its peak, for tables, pictures and files
PROGRAM_BYTES = 0.55e9
OF_A_RUN = 2.0


def bytes_per_draw(data: StandData, n_stems: int) -> int:
    """What one draw of the posterior takes. [bytes]"""
    parameters = DOUBLE * layout(data).size
    years = DOUBLE * n_stems  # at the core and of establishment
    chains = (tree for unit in data.units for tree in unit.trees)
    misread = SINGLE * sum(len(node.right) for tree in chains for node in tree.nodes)
    return parameters + years + misread + SINGLE * sum(_numbers_of_unit(data))


def thinning(data: StandData, n_stems: int, draws: int) -> int:
    """Of `draws` in all, each how manieth is held."""
    wanted = int(np.ceil(draws * bytes_per_draw(data, n_stems) / PLENTY))
    return max(1, min(wanted, draws // least_held(data, n_stems)))


def least_held(data: StandData, n_stems: int) -> int:
    """How many draws are held at least."""
    room = int(MOST_BYTES / bytes_per_draw(data, n_stems))
    return min(LEAST_HELD, max(LEAST_OF_MANY_STANDS, room))


def prior_held(data: StandData, held: int) -> int:
    """Of how many draws of the prior a unit's states are held, beside so many of the posterior."""
    plenty = int(PLENTY / 4 / _bytes_per_prior_draw(data))
    return min(held, MOST_PRIOR, max(LEAST_PRIOR, plenty))


def memory_needed(data: StandData, n_stems: int, held: int) -> float:
    """What a run that holds so many draws takes at its peak. [bytes]"""
    prior = prior_held(data, held) * _bytes_per_prior_draw(data)
    drawn = OF_A_RUN * (prior + held * bytes_per_draw(data, n_stems))
    return PROGRAM_BYTES + drawn + _bytes_of_evidence(data)


def _bytes_of_evidence(data: StandData) -> float:
    """What the cores say, year by year: held once here and once as the kernel takes it. [bytes]"""
    chains = (tree for unit in data.units for tree in unit.trees)
    nodes = (node for tree in chains for node in tree.nodes)
    return 2.0 * sum(node.evidence.nbytes for node in nodes if node.evidence is not None)


def memory_free() -> float:
    """What this process may still take, of the machine's memory and of each control group that it
    is in. [bytes]
    """
    return min([float(psutil.virtual_memory().available), *_left_in_groups()])


def _left_in_groups() -> Iterator[float]:
    """What is left in each group with a limit, by either version of the kernel's interface."""
    try:
        lines = OWN_GROUPS.read_text().splitlines()
    except OSError:  # no control groups here
        return
    for _, controllers, path in (line.split(":", 2) for line in lines if line.count(":") > 1):
        if controllers == "":
            root, names = CONTROL_GROUPS, ("memory.max", "memory.current", "inactive_file")
        elif "memory" in controllers.split(","):
            root = CONTROL_GROUPS / "memory"
            names = ("memory.limit_in_bytes", "memory.usage_in_bytes", "total_inactive_file")
        else:
            continue
        own = root / path.strip("/")
        for group in (own, *own.parents):
            if group == root.parent:
                break
            with suppress(OSError, ValueError):  # not there, or no limit ("max")
                limit, used = (float((group / name).read_text()) for name in names[:2])
                pairs = (line.split() for line in (group / "memory.stat").read_text().splitlines())
                # files read once are in memory until somebody needs it
                yield limit - used + float(dict(pairs).get(names[2], 0))


def refuse_above_memory(survey: Survey, data: StandData, n_stems: int, held: int) -> None:
    """Raises `StandageError` where a run would need more memory than is free."""
    needed, free = memory_needed(data, n_stems, held), memory_free()
    if needed > free:
        stands = len({unit.stand for unit in data.units})
        raise StandageError.at(
            survey.path,
            f"{stands:,} stands and {n_stems:,} stems, which need some {needed / 1e9:.1f} GB"
            " of memory",
            f"at most the {free / 1e9:.1f} GB that are free",
            "Fit fewer stands at a time (a survey of each, or of some, and `standage batch`), or"
            " ask for fewer draws (--draws).",
        )


def _bytes_per_prior_draw(data: StandData) -> int:
    return DOUBLE * layout(data).size + SINGLE * sum(_of_prior(data))


def _numbers_of_unit(data: StandData) -> list[int]:
    """Numbers of single precision a draw, by unit: of the prior, two more by year, and sizes by
    season.
    """
    return [3 * data.n_years + prior for prior in _of_prior(data)]


def _of_prior(data: StandData) -> list[int]:
    """Numbers of single precision a draw of the prior, by unit: one by year, and delays."""
    found = []
    for unit in data.units:
        species = species_delays(data.species[unit.species_index].profile)
        found.append(data.n_years + 2 * (species.longest_grass + species.longest_growth + 1))
    return found
