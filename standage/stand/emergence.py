"""How plants left the grass stage in a stand with openings, for many draws at once
(docs/the-model.md, section 11).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from standage.compiled import Floats, Integers, compiled
from standage.stand.kernel.emergence import LEAST_TAIL, staying, stems_begun
from standage.stand.packing import exposed_years


@dataclass(frozen=True)
class Emergence:
    """Leaving the grass stage by calendar year.

    Attributes
    ----------
    openness : (year,) of the axis up to the survey season.
    rho : (draw,) log factor on the cumulative hazard in a season of full openness.
    grass : (draw, g) pmf of the grass stage at the stand's own pace.
    """

    openness: np.ndarray
    rho: np.ndarray
    grass: np.ndarray

    @property
    def exposed(self) -> np.ndarray:
        """Indices of the years of establishment that differ from the stand's own pace,
        `(exposed,)`.
        """
        return exposed_years(self.openness, self.grass.shape[1] - 1)

    @property
    def excess(self) -> np.ndarray:
        """exp(rho o) - 1, `(draw, year)`."""
        return np.expm1(self.rho[:, None] * self.openness)

    @cached_property
    def tails(self) -> tuple[np.ndarray, np.ndarray]:
        """P(G > d) and log[P(G > d)/P(G > d - 1)], `(draw, d)`; 0 at the last, and the second 0 at
        d = 0.
        """
        tail = np.zeros(self.grass.shape)
        tail[:, :-1] = np.cumsum(np.asarray(self.grass, dtype=float)[:, :0:-1], axis=1)[:, ::-1]
        step = np.zeros(tail.shape)
        step[:, 1:-1] = np.diff(np.log(np.maximum(tail[:, :-1], LEAST_TAIL)), axis=1)
        return tail, step

    def begun(self, living: np.ndarray) -> np.ndarray:
        """Stems by the season in which they start, of `living` by year of establishment; both
        `(draw, year)`.
        """
        out = np.empty(living.shape)
        begun_by_draw(
            np.ascontiguousarray(living),
            self.exposed,
            np.ascontiguousarray(self.grass),
            self.excess,
            *self.tails,
            out,
        )
        return out

    def staying(self, established: np.ndarray) -> np.ndarray:
        """Q_t(t + d) of plants that established at an index of the axis by draw, `(draw,)`: `(draw,
        d)`, as far as the axis goes.
        """
        tail, step = self.tails
        seasons = established[:, None] + np.arange(tail.shape[1])
        known = (seasons >= 0) & (seasons < len(self.openness))
        opened = np.where(known, self.openness[np.where(known, seasons, 0)], 0.0)
        return tail * np.exp(np.cumsum(np.expm1(self.rho[:, None] * opened) * step, axis=1))

    def leaving(self, established: np.ndarray) -> np.ndarray:
        """P(G = g) of plants that established at an index of the axis by draw, `(draw,)`: `(draw,
        g)`.
        """
        stays = self.staying(established)
        return np.concatenate([np.zeros((len(stays), 1)), stays[:, :-1] - stays[:, 1:]], axis=1)

    def waited(self, started: np.ndarray) -> np.ndarray:
        """P(G = g) of plants whose stem started at an index of the axis by draw, `(draw,)`, as many
        established each year: `(draw, g)`.
        """
        out = np.zeros(self.grass.shape)
        for g in range(1, self.grass.shape[1]):
            out[:, g] = self.leaving(started - g)[:, g]
        return out / out.sum(axis=1, keepdims=True)


@compiled
def begun_by_draw(
    living: Floats,
    exposed: Integers,
    grass: Floats,
    excess: Floats,
    tail: Floats,
    step: Floats,
    out: Floats,
) -> None:
    """`kernel.emergence.stems_begun` of every draw; arrays `(draw, year)`, `(draw, season)`."""
    for d in range(living.shape[0]):
        stays = np.zeros((len(exposed), grass.shape[1]))
        staying(exposed, excess[d], tail[d], step[d], stays)
        stems_begun(living[d], exposed, grass[d], stays, out[d])
