"""Are claims about stands true as often as they state? Every claim of simulated surveys is scored
against the stand it is about, by kind and by kind of stand.

    python tests/studies/claim_audit.py run --surveys 10 --workers 1
    python tests/studies/claim_audit.py report
"""

from __future__ import annotations

import dataclasses
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from studies.interval_coverage import CENTRES, markdown
from studies.runner import study_command

NAME = "claim_audit"
LEVEL = 0.9
FIRST_YEAR, SURVEY_DATE, SEASON = 1770, "2024-06-11", 2024
EVENT_YEAR = 1926
EVENT = {"kind": "logging", "first_year": EVENT_YEAR, "last_year": EVENT_YEAR}
PLANTS = 20_000  # past the seedling years, so that a true share is known within 0.004
AREA_HA = 1.0


@dataclass(frozen=True)
class Setting:
    """What a kind of stand is.

    pulse : first and last year; None for none.
    share : of the listed stems, that are the pulse's.
    longer : years of the grass stage beyond what the prior has.
    change : year of a lasting change, and the factor by which recruitment changed; None for none.
    from_prior : its history is drawn from the prior; else it is steady.
    young : first and last year of a cohort too small for cores, and its plants. [plants/ha]
    """

    pulse: tuple[int, int] | None = None
    share: float = 0.0
    longer: int = 0
    change: tuple[int, float] | None = None
    from_prior: bool = False
    young: tuple[int, int, float] | None = None

    @property
    def shape(self) -> str:
        """`steady`, `rise`, `fall` or `pulse`; blank where the history decides."""
        if self.from_prior:
            return ""
        if self.change:
            return "rise" if self.change[1] > 1 else "fall"
        return "pulse" if self.pulse else "steady"


SETTINGS = {
    "steady": Setting(),
    "pulse": Setting((1930, 1941), 0.5),
    "old field": Setting((1955, 1966), 0.95),
    "two pulses' worth of years": Setting((1900, 1935), 0.6),
    "drawn from the prior": Setting(from_prior=True),
    "grass stage 3 years longer": Setting((1930, 1941), 0.5, longer=3),
    "risen for good": Setting(change=(1940, 4.0)),
    "fallen for good": Setting(change=(1940, 0.25)),
    "old field with a young cohort": Setting((1955, 1966), 0.95, young=(2011, 2021, 450.0)),
}
OF_A_TREE = ("minimum age", "one of two ages")
# standard errors by which a kind may be true less often than stated before it is held against it
FALLS_SHORT = 2.0
FIRST_SEED = 100  # those before were looked at when claims were widened
SEEDLING_CROP = 4  # last years whose plants the scan leaves alone, typically
FAR_YEARS = 40  # a pulse claimed further from the true one is another


@dataclass(frozen=True)
class Truth:
    """A stand as it is: plants of a large area of it, and the density of those.

    year, dbh_cm, stage : of each plant. (plant,)
    per_ha : plants per hectare that one plant stands for.
    living : expected living plants by year, of any unit. (year,)
    pulse : first and last year, leaving out a twentieth of the excess on either side; None for
        none.
    shape : `steady`, `rise`, `fall` or `pulse`, blank where the history was drawn from the prior.
    change_year : first year of a level that lasted; None for none.
    young : first and last year of a cohort too small for cores, as of a pulse; None for none.
    trees : true year of establishment by tree.
    grass_years : true years in the grass stage by tree.
    """

    years: np.ndarray
    year: np.ndarray
    dbh_cm: np.ndarray
    stage: np.ndarray
    per_ha: float
    living: np.ndarray
    pulse: tuple[float, float] | None
    shape: str
    change_year: int | None
    young: tuple[float, float] | None
    trees: pd.Series
    grass_years: pd.Series


def jobs(surveys: int) -> list[dict]:
    """So many surveys of each setting, one setting after another in turn."""
    seeds = range(FIRST_SEED, FIRST_SEED + surveys)
    return [{"setting": name, "seed": seed} for seed in seeds for name in SETTINGS]


def one_survey(job: dict) -> dict:
    """Simulate, fit, claim and score one survey."""
    findings, truth = fitted(job)
    return {"claims": scores(findings.claims, truth)}


def fitted(job: dict):
    """The findings of a survey, and the truth of its stand."""
    from standage.findings import Findings
    from standage.stand.fit import fit_stands
    from standage.survey.reading import read_survey

    simulated, truth = surveyed(job["setting"], job["seed"])
    with tempfile.TemporaryDirectory() as folder:
        survey = read_survey(simulated.write(Path(folder) / "survey"))
        posterior = fit_stands(
            survey, seed=job["seed"], level=LEVEL, chains=2, cores=1, tune=200, draws=250
        )
    return Findings(posterior, level=LEVEL), truth


def surveyed(setting: str, seed: int):
    """A simulated survey and the truth of its stand."""
    from standage.profiles import load_profile
    from standage.simulate.departures import Departures
    from standage.simulate.history import (
        Pulse,
        StandHistory,
        SurveyDesign,
        recruitment_from_prior,
        steady_recruitment,
    )
    from standage.simulate.life import draw_life_histories
    from standage.simulate.plants import grow
    from standage.simulate.surveys import simulate_survey

    of = SETTINGS[setting]
    span, share = of.pulse, of.share
    rng = np.random.default_rng([seed, list(SETTINGS).index(setting), 19])
    profile = load_profile("longleaf-pine")
    life = draw_life_histories(
        profile, rng, stands=1, first_year=FIRST_YEAR, last_year=SEASON
    )[0]  # fmt: skip
    life = dataclasses.replace(life, departures=Departures(grass_years_longer=of.longer))
    years = np.arange(FIRST_YEAR, SEASON + 1)
    stems, cores = float(rng.integers(60, 161)), int(rng.integers(25, 61))
    design = SurveyDesign(plot_areas_m2=(2500.0,) * 4, cores=cores, centres=CENTRES)

    def played(per_ha: np.ndarray):
        grown_up = per_ha[: len(per_ha) - 3].sum()
        plants = grow(rng, life, years, per_ha * PLANTS / grown_up)
        stage = plants.stage(SEASON, design.min_dbh_cm)
        return plants, stage, (stage == "tree").sum() * grown_up / PLANTS

    background = (
        recruitment_from_prior(rng, profile, FIRST_YEAR, SEASON)
        if of.from_prior
        else steady_recruitment(profile, FIRST_YEAR, SEASON, per_ha_at_fifty=1.0)
    )
    if of.change:
        background = background * np.where(years >= of.change[0], of.change[1], 1.0)
    background = background * (1 - share) * stems / AREA_HA / played(background)[2]
    pulses: tuple[Pulse, ...] = ()
    if span:
        one = Pulse(*span, 1.0)
        pulses = (Pulse(*span, share * stems / AREA_HA / played(one.per_ha(years))[2]),)
    older = pulses
    pulses += (Pulse(*of.young),) if of.young else ()
    history = StandHistory(
        "a", SURVEY_DATE, FIRST_YEAR, background, pulses, life=life, design=design,
        community="mesic upland", events=(EVENT,),
    )  # fmt: skip
    simulated = simulate_survey(int(rng.integers(2**31)), stands=[history], profile=profile)
    per_ha = history.before_cuts_per_ha()
    plants, stage, _ = played(per_ha)
    true = simulated.truth["trees"].set_index("tree")["establishment_year"].astype(float)
    return simulated, Truth(
        years=years,
        year=plants.establishment_year,
        dbh_cm=plants.dbh_cm(SEASON),
        stage=stage,
        per_ha=per_ha[: len(per_ha) - 3].sum() / PLANTS,
        living=per_ha / steady_recruitment(profile, FIRST_YEAR, SEASON, per_ha_at_fifty=1.0),
        pulse=_edges(older[0].per_ha(years), years) if older else None,
        young=_edges(pulses[-1].per_ha(years), years) if of.young else None,
        shape=of.shape,
        change_year=of.change[0] if of.change else None,
        trees=true,
        grass_years=simulated.truth["trees"].set_index("tree")["grass_years"].astype(float),
    )


def _edges(excess: np.ndarray, years: np.ndarray) -> tuple[float, float]:
    held = np.cumsum(excess) / excess.sum()
    return float(years[np.argmax(held > 0.05)]), float(years[np.argmax(held >= 0.95)])


def scores(claims, truth: Truth) -> list[dict]:
    """One row a claim that can be scored: its kind, what it states, whether it is true."""
    rows = []
    for claim in claims:
        if claim.scored == "none":
            continue
        true = true_value(claim, truth)
        if true is None:
            continue
        rows.append(
            {
                "kind": claim.kind,
                "subject": "" if claim.kind in OF_A_TREE else claim.subject,
                "stated": round(float(claim.probability), 4),
                "true": int(claim.holds(true)),
                "truth": true if isinstance(true, str) else round(float(true), 4),
                "low": round(claim.low, 4),
                "high": round(claim.high, 4),
            }
        )
    return rows


def true_value(claim, truth: Truth):
    """What is true of what a claim is about; None where it isn't defined, as the years of a pulse
    that is none.
    """
    from standage.findings.age_structure import age_structure
    from standage.findings.young_cohort import MANY_MORE

    listed = truth.stage == "tree"
    age = SEASON - 1 - truth.year[listed] + 1
    area = np.pi / 4 * (truth.dbh_cm[listed] / 100) ** 2
    year = truth.year[listed]
    by_year = np.bincount(year - truth.years[0], minlength=len(truth.years))
    match claim.kind:
        case "most stems":
            first, last = map(int, claim.subject.split(" to "))
            return np.mean((year >= first) & (year <= last)) > 0.5
        case "young cohort":
            return young_ratio(truth) >= MANY_MORE
        case "no young cohort":
            return young_ratio(truth) < MANY_MORE
        case "young years" if truth.young:
            return truth.young[claim.subject == "last"]
        case "young plants" if truth.young:
            first, last = truth.young
            return ((truth.year >= first) & (truth.year <= last)).sum() * truth.per_ha
        case "structure":
            return age_structure(by_year[None].astype(float)).likeliest
        case "minimum age" | "one of two ages":
            return SEASON - 1 - truth.trees[claim.subject] + 1
        case "share over age":
            return np.mean(age > float(claim.subject))
        case "basal area over age":
            return area[age > float(claim.subject)].sum() / area.sum()
        case "middle span":
            held = np.cumsum(by_year) / by_year.sum()
            return truth.years[np.argmax(held >= (0.1 if claim.subject == "first" else 0.9))]
        case "cohort stems" | "cohort basal area":
            first, last = map(int, claim.subject.split(" to "))
            inside = (year >= first) & (year <= last)
            return (inside if "stems" in claim.kind else area * inside).sum() * truth.per_ha
        case "stems":
            return listed.sum() * truth.per_ha
        case "basal area":
            return area.sum() * truth.per_ha
        case "old stems":
            ages = SEASON - 1 - truth.trees + 1
            return int((ages > float(claim.subject)).sum())
        case "regeneration" if claim.subject == "established seedlings":
            return np.isin(truth.stage, ["grass", "emerging"]).sum() * truth.per_ha
        case "regeneration":
            return (truth.stage == claim.subject).sum() * truth.per_ha
        case "stocking":
            plants = np.isin(truth.stage, ["grass", "emerging"]).sum() * truth.per_ha
            return "reached" if plants >= float(claim.subject) else "not reached"
        case "shape" if truth.shape:
            return truth.shape
        case "change year" if truth.change_year:
            return truth.change_year
        case "pulse":
            return true_pulse(claim.estimate, truth)
        case "pulse years" if truth.pulse and np.ptp([*truth.pulse, claim.estimate]) < FAR_YEARS:
            return truth.pulse[claim.columns == "end_*"]
        case "pulse share" if truth.pulse:
            return np.mean((year >= truth.pulse[0]) & (year <= truth.pulse[1]))
        case "before pulse" if truth.pulse:
            return truth.pulse[0] - EVENT_YEAR
        case "waiting at event" if truth.pulse:
            return waiting(EVENT_YEAR, truth)
    return None  # of what isn't defined: the years of a pulse that is none


def young_ratio(truth: Truth) -> float:
    """How many times as many plants of ten of the last years live as of the years before, age for
    age, the most of those looked at.
    """
    from standage.findings.young_cohort import YOUNGEST_ENDS, above_the_years_before

    last = len(truth.years) - 1
    return max(
        float(above_the_years_before(truth.living[None], end)[0])
        for end in range(last - YOUNGEST_ENDS, last - SEEDLING_CROP + 1)
    )


def waiting(year: int, truth: Truth) -> float | None:
    """Share of the stems listed that established in the pulse and were in the grass stage in this
    year; None without one.
    """
    first, last = truth.pulse
    inside = truth.trees[(truth.trees >= first) & (truth.trees <= last)]
    emerged = inside + truth.grass_years[inside.index]
    return float(np.mean((inside < year) & (emerged > year))) if len(inside) else None


def true_pulse(year: float, truth: Truth) -> bool:
    """Whether a pulse round this year is one: half as many again as the years around it."""
    from standage.findings.local_ratio import STANDS_OUT, WINDOWS, inside_and_background

    index = int(round(year)) - truth.years[0]
    near = slice(max(index - 5, 0), index + 6)
    best = 0.0
    for width in WINDOWS:
        inside, around = inside_and_background(truth.living[None], width)
        ratio = (inside / np.where(around > 0, around, np.nan))[0, near]
        best = max(best, float(np.nanmax(ratio, initial=0.0)))
    return best >= STANDS_OUT


def audit_table(rows: pd.DataFrame, by: list[str]) -> pd.DataFrame:
    """How often claims were true beside what they state. rows: `survey`, `kind`, `stated`, `true`.

    short: true less often than stated by more than `FALLS_SHORT` standard errors, clustered by
    survey.
    """
    table = []
    for key, group in rows.groupby(by, sort=False):
        excess = group["true"] - group["stated"]
        per_survey = excess.groupby(group["survey"]).sum()
        error = float(np.sqrt((per_survey**2).sum()) / len(group))
        table.append(
            {
                **dict(zip(by, key if isinstance(key, tuple) else (key,), strict=True)),
                "surveys": group["survey"].nunique(),
                "claims": len(group),
                "stated": group["stated"].mean(),
                "true": group["true"].mean(),
                "se": error,
                "holds": bool(excess.mean() >= -FALLS_SHORT * error - 1e-12),
            }
        )
    return pd.DataFrame(table)


def short_table(rows: pd.DataFrame) -> pd.DataFrame:
    """Kinds of claims in few surveys: `chance` bounds how often one kind or another would be true as
    seldom as this, were every kind true as often as stated.

    The share of a survey's claims that are true lies between 0 and 1, and surveys are independent,
    however alike the claims of one are: Hoeffding 1963, JASA 58:13-30, theorem 1; times the number
    of kinds.
    """
    table = []
    for kind, group in rows.groupby("kind", sort=False):
        stated, true = (group.groupby("survey")[name].mean() for name in ("stated", "true"))
        p, q, surveys = float(stated.mean()), float(true.mean()), len(stated)
        chance = np.exp(-surveys * _divergence(q, p)) if q < p else 1.0
        table.append({"kind": kind, "surveys": surveys, "stated": p, "true": q, "chance": chance})
    found = pd.DataFrame(table)
    return found.assign(chance=np.minimum(found["chance"] * len(found), 1.0))


def _divergence(q: float, p: float) -> float:
    """Of Kullback and Leibler, of a share q from a probability p."""
    parts = ((q, p), (1 - q, 1 - p))
    return float(sum(a * np.log(a / max(b, 1e-12)) for a, b in parts if a > 0))


def long(frame: pd.DataFrame) -> pd.DataFrame:
    """A row a claim."""
    done = frame[frame["error"] == ""]
    return pd.DataFrame(
        [
            {"survey": f"{row['setting']} {row['seed']}", "setting": row["setting"], **claim}
            for row in done.to_dict("records")
            for claim in row["claims"]
        ]
    )


def report(frame: pd.DataFrame) -> str:
    """The study's tables in markdown. Raises ValueError if no survey came through."""
    failed = int((frame["error"] != "").sum())
    if failed == len(frame):
        raise ValueError(f"all {failed} surveys failed: {sorted(set(frame['error']))[:3]}")
    rows = long(frame)
    return "\n\n".join(
        [
            f"{len(frame)} surveys, {failed} failed; {len(rows)} claims.",
            markdown(audit_table(rows, ["kind"])),
            markdown(audit_table(rows, ["kind", "setting"])),
        ]
    )


if __name__ == "__main__":
    study_command(
        __doc__.splitlines()[0],
        NAME,
        jobs=jobs,
        work=one_survey,
        report=report,
        surveys=50,
        counted="surveys of each kind of stand",
    )
