"""Two processes of recruitment on the same surveys: the package's, and a plain Gaussian one on the
log rate.

The package's process is quiet most of the time and free upward (docs/the-model.md, section 2). A
plain Ornstein-Uhlenbeck process of the log rate, with the same knots, is the usual choice; it has
one scale for quiet times and pulses. It needs no code of its own in the kernel: with the activity
so high that softplus is a straight line, the package's formula is the plain process.
"""

from __future__ import annotations

import dataclasses
import math
import tempfile

import numpy as np
from studies.pulse_surveys import known_survey

import standage.stand.fit as fit_module
import standage.stand.sampler as sampler_module
from standage import read_survey
from standage.stand.fit import fit_stands
from standage.stand.parameters import layout

PROCESSES = ("package", "plain")
SHORT_FIT = {"chains": 2, "cores": 1, "tune": 200, "draws": 250}
WINDOWS = (10, 20)  # years
PULSE_YEARS = (
    4,
    10,
)  # a narrow pulse holds as many stems as a broad one: eight times the background for 10 years
PULSE_STEMS_TIMES = 7 * 10  # years of background that a pulse holds in excess
YOUNGEST = 30  # years; shares are of stems at least this old: of the younger ones few are listed
STRAIGHT = 12.0  # softplus(12 + s u) is a straight line down to s u = -10
PLAIN_SCALE = (
    0.8,
    0.5,
    # median and log sd of the plain process's scale: with 90 % between 0.35 and 1.8 it reaches
    # fivefold pulses
)


def jobs(process: str, surveys: int) -> list[dict]:
    """The same surveys for both processes."""
    out = []
    for length in PULSE_YEARS:
        for number in range(surveys):
            first = int(np.random.default_rng([length, number, 79]).integers(1890, 1965))
            span = [first, first + length - 1, 1 + PULSE_STEMS_TIMES / length]
            out.append(
                {
                    "process": process,
                    "pulse_years": length,
                    "seed": 900_000 + 1000 * length + number,
                    "species": "longleaf-pine",
                    "stems": 120,
                    "share_cored": 0.45,
                    "pulses": [span],
                }
            )
    return out


def work(job: dict) -> dict:
    """Posterior and true shares of the stems older than `YOUNGEST` in windows round the pulse and
    in a quiet one beside it.
    """
    known = known_survey(job)
    with tempfile.TemporaryDirectory() as folder:
        known.simulated.write(folder)
        survey = read_survey(folder)
    with_process = plain_fit if job["process"] == "plain" else fit_stands
    posterior = with_process(survey, seed=job["seed"], **SHORT_FIT)
    first, last, _ = job["pulses"][0]
    centre = (first + last + 1) / 2
    windows = {
        f"{width} years": (
            math.floor(centre - width / 2),
            math.floor(centre - width / 2) + width - 1,
        )
        for width in WINDOWS
    }
    windows["quiet 20 years"] = (
        (last + 11, last + 30)
        if last + 30 <= survey.survey_season("a") - YOUNGEST
        else (first - 30, first - 11)
    )
    return {
        "windows": [
            {"window": name, **shares(posterior, known, span)} for name, span in windows.items()
        ]
    }


def shares(posterior, known, span: tuple[int, int]) -> dict[str, float]:
    """Share of the older living that established in a span of years: truth, and 5, 50 and 95 %
    points.
    """
    living, years = posterior.unit(0).living, posterior.years
    older, inside = years <= years[-1] - YOUNGEST, (years >= span[0]) & (years <= span[1])
    drawn = living[:, inside & older].sum(axis=1) / living[:, older].sum(axis=1)
    low, median, high = np.quantile(drawn, [0.05, 0.5, 0.95])
    rate, when = known.history.before_cuts_per_ha(), known.history.years
    old = when <= when[-1] - YOUNGEST
    truth = rate[(when >= span[0]) & (when <= span[1]) & old].sum() / rate[old].sum()
    return {"truth": float(truth), "low": float(low), "median": float(median), "high": float(high)}


def plain_fit(survey, **settings):
    """`fit_stands` under the plain process."""
    kept = fit_module.sample, fit_module.prior_draws, sampler_module.Kernel

    used = []

    def plain_sample(data, **more):
        sampled = kept[0](data, **more)
        if not used:
            raise RuntimeError(
                "the sampler no longer makes its density by `Kernel`: the plain process was not"
                " used"
            )
        shift, factor = _straightened(data)
        return dataclasses.replace(sampled, values=shift + factor * sampled.values)

    def plain_prior(data, n_draws, generator):
        shift, factor = _straightened(data)
        return shift + factor * kept[1](data, n_draws, generator)

    class PlainKernel(kept[2]):
        """The package's density with the coordinates that make its process plain: a standard normal
        z stands for shift + factor z.
        """

        def __init__(self, data):
            super().__init__(data)
            used.append(self)
            self.shift, self.factor = _straightened(data)
            self.moved = (self.shift != 0) | (self.factor != 1)

        def __call__(self, z):
            x = self.shift + self.factor * z
            logp, gradient = super().__call__(x)
            # the prior of the moved coordinates is the standard normal of z, not of x
            logp = logp + 0.5 * (x[self.moved] ** 2 - z[self.moved] ** 2).sum()
            return logp, np.where(self.moved, self.factor * (gradient + x) - z, gradient)

    fit_module.sample, fit_module.prior_draws, sampler_module.Kernel = (
        plain_sample,
        plain_prior,
        PlainKernel,
    )
    try:
        return fit_stands(survey, **settings)
    finally:
        fit_module.sample, fit_module.prior_draws, sampler_module.Kernel = kept


def _straightened(data) -> tuple[np.ndarray, np.ndarray]:
    """Shift and factor of every parameter: activity held at `STRAIGHT`, the scale's own prior."""
    places = layout(data)
    shift, factor = np.zeros(places.size), np.ones(places.size)
    median, log_sd = PLAIN_SCALE
    for unit in places.unit_offsets:
        shift[unit["activity"]], factor[unit["activity"]] = (STRAIGHT + 2.5) / 0.7, 1e-3
        shift[unit["pulse_scale"]], factor[unit["pulse_scale"]] = (
            math.log(median / 2) / 0.25,
            log_sd / 0.25,
        )
    return shift, factor
