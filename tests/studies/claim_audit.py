"""Are claims about stands true as often as they state? Every claim of simulated surveys is scored
against the stand it is about, by kind and by kind of stand.

    python tests/studies/claim_audit.py run --surveys 10 --workers 1
    python tests/studies/claim_audit.py report
"""

from __future__ import annotations

import dataclasses
import tempfile
from dataclasses import dataclass
from functools import partial
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
    misread : share of its counts that are grossly off; four in five of its cores are counted then.
    planted : whether a quarter to a half of its stems were planted in one year that nobody wrote
        down.
    cut : whether most stems above a diameter were cut and, in every second stand, most below one
        later, which leaves stems of few years; on record in every second stand.
    of_two : kinds of stand, of which two by lot are surveyed side by side in place of this one.
    """

    pulse: tuple[int, int] | None = None
    share: float = 0.0
    longer: int = 0
    change: tuple[int, float] | None = None
    from_prior: bool = False
    young: tuple[int, int, float] | None = None
    misread: float = 0.0
    planted: bool = False
    cut: bool = False
    of_two: tuple[str, ...] = ()

    @property
    def shape(self) -> str:
        """`steady`, `rise`, `fall` or `pulse`; blank where the history decides."""
        if self.from_prior or self.planted:
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
    "pulse, counts misread": Setting((1930, 1941), 0.3, misread=0.06),
    "planted, not recorded": Setting(planted=True),
    "two stands": Setting(of_two=("steady", "pulse", "old field", "drawn from the prior")),
    "cut by size": Setting(cut=True),
    "two stands with pulses": Setting(of_two=("pulse", "old field", "later pulse")),
}
# surveyed beside another only
BESIDE = {"later pulse": Setting((1936, 1947), 0.5)}
OF_A_TREE = ("minimum age", "next oldest", "one of two ages", "count in doubt")
OF_ANY_TREE = ("next oldest", "count in doubt")
RINGS = "ring widths alone"
NEAR_YEARS = 5  # a disturbance claimed further from the true one is another
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
    misread : by tree, rings by which the most misread of its counts is off.
    planted_in : year in which a part of its stems was planted; None where none was.
    kind : what kind of stand it is.
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
    misread: pd.Series
    planted_in: int | None
    kind: Setting


def jobs(surveys: int) -> list[dict]:
    """So many surveys of each setting, one setting after another in turn."""
    seeds = range(FIRST_SEED, FIRST_SEED + surveys)
    return [{"setting": name, "seed": seed} for seed in seeds for name in (*SETTINGS, RINGS)]


def one_survey(job: dict) -> dict:
    """Simulate, fit, claim and score one survey."""
    if job["setting"] == RINGS:
        return {"claims": ring_scores(job["seed"])}
    findings, truths = fitted(job)
    kept = [claim for claim in findings.claims if claim.kind not in OF_ANY_TREE]
    return {"claims": scores([*kept, *of_any_tree(findings)], truths)}


def of_any_tree(findings) -> list:
    """What is claimed of the oldest tree only where its age or count is in doubt: the next oldest
    tree of every stand, and every count that is in doubt.
    """
    from standage.findings.claim import Claim
    from standage.findings.claims import count_in_doubt, next_oldest

    found = []
    for unit in findings.units:
        of = partial(Claim, stand=unit.stand, species=str(unit.summary["species"]))
        found += next_oldest(of, unit, str(unit.summary["oldest_cored_tree"]), LEVEL)
        for row in unit.trees.to_dict("records"):
            found += count_in_doubt(of, row)
    return found


def ring_scores(seed: int) -> list[dict]:
    """Claims from the ring widths of an invented stand, with or without a cut on record or on none:
    no fit.
    """
    from benchmarks.release_detection import CLOSED, CUT, OPEN, thinned_stand

    from standage.findings.claim import Claim
    from standage.findings.claims_of_rings import by_model
    from standage.findings.disturbance_decades import chances_by_model, decades_of
    from standage.findings.disturbances import disturbance_table, event_year_table
    from standage.growth.growth_changes import growth_changes

    rng = np.random.default_rng([seed, 23])
    taken = float(rng.choice([0.0, 0.3, 0.5, 0.8]))
    trees, competition = int(rng.integers(4, 16)), float(rng.choice([OPEN, CLOSED]))
    survey = thinned_stand(rng, trees, taken, competition)
    if rng.random() < 0.5:
        survey.events = survey.events.iloc[:0]
    changes = growth_changes(survey, seed=seed, draws=300)
    (stand,) = changes.stands
    spans = [
        {"first_year": decade[0], "last_year": decade[1]} | chances_by_model(changes, stand, decade)
        for decade in decades_of(changes.series.years)
    ]
    tables = (
        disturbance_table(changes, seed=1, level=LEVEL),
        event_year_table(changes, survey, level=LEVEL),
        pd.DataFrame(spans),
    )
    openings = tables[0][tables[0]["kind"] == "opening"]["year_median"].astype(float)
    found = bool(((openings - CUT).abs() <= NEAR_YEARS).any())
    of = partial(Claim, stand="stand", species="", population="")
    rows = []
    for claim in by_model(of, *tables, LEVEL):
        opened = claim.category == "opening" or claim.kind == "event year"
        cut = CUT if taken and opened else None
        if claim.kind == "disturbance":
            true = cut is not None and abs(float(claim.subject) - cut) <= NEAR_YEARS
        elif claim.kind == "would be found":
            # of an opening as large as it is claimed of, which nobody wrote down
            as_large = (taken, competition) == (0.8, OPEN) and survey.events.empty
            if claim.scored == "none" or not as_large or not claim.low <= CUT <= claim.high:
                continue
            true = found
        elif claim.scored == "none" or cut is None or abs(claim.estimate - cut) > FAR_YEARS:
            continue
        else:
            true = cut
        rows.append(_row(claim, true))
    return rows


def _row(claim, true) -> dict:
    return {
        "kind": claim.kind,
        "subject": "" if claim.kind in OF_A_TREE else claim.subject,
        "stated": round(float(claim.probability), 4),
        "true": int(claim.holds(true)),
        "truth": true if isinstance(true, str) else round(float(true), 4),
        "low": round(claim.low, 4),
        "high": round(claim.high, 4),
    }


def fitted(job: dict):
    """The findings of a survey, and the truth of each of its stands."""
    from standage.findings import Findings

    posterior, truths = fitted_posterior(job)
    return Findings(posterior, level=LEVEL), truths


def fitted_posterior(job: dict):
    """The posterior of a survey, and the truth of each of its stands."""
    from standage.stand.fit import fit_stands
    from standage.survey.reading import read_survey

    simulated, truths = surveyed(job["setting"], job["seed"])
    with tempfile.TemporaryDirectory() as folder:
        survey = read_survey(simulated.write(Path(folder) / "survey"))
        posterior = fit_stands(
            survey, seed=job["seed"], level=LEVEL, chains=2, cores=1, tune=200, draws=250
        )
    return posterior, truths


def surveyed(setting: str, seed: int):
    """A simulated survey and the truth of each of its stands, by name."""
    from standage.profiles import load_profile
    from standage.simulate.life import draw_life_histories
    from standage.simulate.misreadings import with_misread_counts
    from standage.simulate.surveys import simulate_survey

    of = SETTINGS[setting]
    rng = np.random.default_rng([seed, list(SETTINGS).index(setting), 19])
    profile = load_profile("longleaf-pine")
    known = SETTINGS | BESIDE
    kinds = [known[name] for name in rng.choice(of.of_two, 2)] if of.of_two else [of]
    lives = draw_life_histories(
        profile, rng, stands=len(kinds), first_year=FIRST_YEAR, last_year=SEASON
    )  # fmt: skip
    stands = [
        _Stand(name, kind, life, rng, profile)
        for name, kind, life in zip("ab", kinds, lives, strict=False)
    ]
    histories = [stand.history for stand in stands]
    simulated = simulate_survey(int(rng.integers(2**31)), stands=histories, profile=profile)
    if of.misread:
        simulated = with_misread_counts(simulated, of.misread, seed)
    return simulated, {stand.history.stand: stand.truth(simulated) for stand in stands}


class _Stand:
    """A stand of one kind: its history, and what is true of it."""

    def __init__(self, name: str, of: Setting, life, rng: np.random.Generator, profile) -> None:
        from standage.simulate.departures import Departures
        from standage.simulate.history import (
            Pulse,
            StandHistory,
            SurveyDesign,
            recruitment_from_prior,
            steady_recruitment,
        )

        self.of, self.rng = of, rng
        self.years = years = np.arange(FIRST_YEAR, SEASON + 1)
        self.steady = steady_recruitment(profile, FIRST_YEAR, SEASON, per_ha_at_fifty=1.0)
        departures = Departures(grass_years_longer=of.longer)
        stems, cores = float(rng.integers(60, 161)), int(rng.integers(25, 61))
        if of.planted:
            share, planted_in = float(rng.uniform(0.25, 0.5)), int(rng.integers(1950, 1991))
            departures = Departures(planted_share=share, planted_in=planted_in)
            stems *= 1 - share
        self.life = dataclasses.replace(life, departures=departures)
        self.cuts = _cuts(rng) if of.cut else ()
        datings = {"datings": {"crossdated": 0.2, "counted": 0.8}} if of.misread else {}
        design = SurveyDesign(plot_areas_m2=(2500.0,) * 4, cores=cores, centres=CENTRES, **datings)
        self.least_dbh_cm = design.min_dbh_cm
        background = self.steady
        if of.from_prior:
            background = recruitment_from_prior(rng, profile, FIRST_YEAR, SEASON)
        if of.change:
            background = background * np.where(years >= of.change[0], of.change[1], 1.0)
        scale = (1 - of.share) * stems / AREA_HA / self._played(background)[2]
        pulses: tuple[Pulse, ...] = ()
        if of.pulse:
            listed = self._played(Pulse(*of.pulse, 1.0).per_ha(years))[2]
            pulses = (Pulse(*of.pulse, of.share * stems / AREA_HA / listed),)
        self.older = pulses
        events: tuple[dict, ...] = (EVENT,)
        if of.cut:
            recorded = rng.random() < 0.5
            events = tuple(_event(cut) for cut in self.cuts) if recorded else ()
        self.history = StandHistory(
            name, SURVEY_DATE, FIRST_YEAR, background * scale,
            pulses + ((Pulse(*of.young),) if of.young else ()), self.cuts,
            life=self.life, design=design, community="mesic upland", events=events,
        )  # fmt: skip

    def _played(self, per_ha: np.ndarray):
        """Plants of a history, their stage, and how many of them are listed per hectare."""
        from standage.simulate.plants import grow, standing_after

        grown_up = per_ha[: len(per_ha) - 3].sum()
        plants = grow(self.rng, self.life, self.years, per_ha * PLANTS / grown_up)
        if self.cuts:
            plants = plants.chosen(standing_after(self.rng, plants, self.cuts))
        stage = plants.stage(SEASON, self.least_dbh_cm)
        return plants, stage, (stage == "tree").sum() * grown_up / PLANTS

    def _left(self) -> np.ndarray:
        """Share of each year's plants that cuts left. (year,)"""
        from standage.simulate.plants import share_left

        return share_left(self.rng, self.life, self.years, self.cuts)

    def truth(self, simulated) -> Truth:
        """What is true of it. simulated : the survey of it, with its trees' years."""
        of, years, per_ha = self.of, self.years, self.history.before_cuts_per_ha()
        plants, stage, _ = self._played(per_ha)
        trees, cores = (simulated.truth[name].set_index("tree") for name in ("trees", "cores"))
        trees = trees[trees["stand"] == self.history.stand]
        misread = cores.get("misread_rings", pd.Series(0, index=cores.index))
        return Truth(
            years=years,
            year=plants.establishment_year,
            dbh_cm=plants.dbh_cm(SEASON),
            stage=stage,
            per_ha=per_ha[: len(per_ha) - 3].sum() / PLANTS,
            living=self._left() * per_ha / self.steady,
            pulse=_edges(self.older[0].per_ha(years), years) if self.older else None,
            young=_edges(self.history.pulses[-1].per_ha(years), years) if of.young else None,
            shape=of.shape,
            change_year=of.change[0] if of.change else None,
            trees=trees["establishment_year"].astype(float),
            grass_years=trees["grass_years"].astype(float),
            misread=misread.abs().groupby(level=0).max(),
            planted_in=self.life.departures.planted_in if of.planted else None,
            kind=of,
        )


def _cuts(rng: np.random.Generator) -> tuple:
    """A cut of the large and, as often as not, one of the small some years later."""
    from standage.simulate.plants import Cut

    year, taken = int(rng.integers(1915, 1946)), float(rng.uniform(0.8, 0.95))
    large, small = Cut(year, taken, 15.0), Cut(year + 20, taken, 0.0, 15.0)
    return (large, small) if rng.random() < 0.5 else (large,)


def _event(cut) -> dict:
    """A cut as it is on record."""
    low, high = cut.removed_dbh_low_cm, cut.removed_dbh_high_cm
    sizes = {"removed_dbh_low_cm": low} if low else {"removed_dbh_high_cm": high}
    return {"kind": "logging", "first_year": cut.year, "last_year": cut.year, **sizes}


def _edges(excess: np.ndarray, years: np.ndarray) -> tuple[float, float]:
    held = np.cumsum(excess) / excess.sum()
    return float(years[np.argmax(held > 0.05)]), float(years[np.argmax(held >= 0.95)])


def scores(claims, truths: dict[str, Truth]) -> list[dict]:
    """One row a claim that can be scored: its kind, what it states, whether it is true. truths : by
    stand.
    """
    rows = []
    for claim in claims:
        if claim.scored == "none":
            continue
        truth, other = truths.get(claim.stand), truths.get(claim.subject)
        if truth is None:
            continue
        true = true_value(claim, truth) if other is None else true_of_two(claim, truth, other)
        if true is None:
            continue
        rows.append(_row(claim, true))
    return rows


def true_of_two(claim, first: Truth, second: Truth):
    """What is true of two stands of a claim; None where it isn't defined."""
    from standage.findings.pulse_synchrony import TOLERANCE

    measure = claim.category
    if measure == "shared_pulse" and (first.kind.from_prior or second.kind.from_prior):
        return None  # their pulses aren't known
    if measure == "age_structure_distance":
        held = [
            np.cumsum(_by_year(truth)) / (truth.stage == "tree").sum() for truth in (first, second)
        ]
        apart = float(np.abs(held[0] - held[1]).sum())
        alike = first.kind == second.kind and not first.kind.from_prior
        return apart if claim.kind == "difference" else not alike
    if measure in ("shared_pulse", "latest_pulse_start"):
        both = first.pulse and second.pulse
        apart = first.pulse[0] - second.pulse[0] if both else np.inf
        if measure == "shared_pulse":
            return (abs(apart) <= TOLERANCE) == (claim.kind == "shared pulse")
        if not both:
            return None
    else:
        apart = _measured(first, measure) - _measured(second, measure)
    return apart if claim.kind == "difference" else apart > 0


def _by_year(truth: Truth) -> np.ndarray:
    """Listed stems by year."""
    year = truth.year[truth.stage == "tree"]
    return np.bincount(year - truth.years[0], minlength=len(truth.years))


def _measured(truth: Truth, measure: str) -> float:
    """A measure of the comparison, of the stand itself."""
    listed = truth.stage == "tree"
    match measure:
        case "stems_per_ha":
            return float(listed.sum() * truth.per_ha)
        case "median_establishment_year":
            return float(np.median(truth.year[listed]))
        case "half_span_years":
            held = np.concatenate([[0.0], np.cumsum(_by_year(truth))]) / listed.sum()
            ends = np.searchsorted(held, held[:-1] + 0.5)
            reached = ends < len(held)
            return float((ends - np.arange(len(ends)))[reached].min())
        case "share_in_grass_stage":
            return float(np.mean(np.isin(truth.stage, ["germinant", "grass"])))
    raise ValueError(f"what a stand has of {measure} isn't known here")


def true_value(claim, truth: Truth):
    """What is true of what a claim is about; None where it isn't defined, as the years of a pulse
    that is none.
    """
    from standage.evidence.gross_errors import LEAST_SHIFT
    from standage.findings.age_structure import age_structure
    from standage.findings.claims import BY_CUTTING
    from standage.findings.young_cohort import MANY_MORE

    if truth.planted_in and claim.kind != "planted":
        return None  # of the natural stems alone the truth is known
    listed = truth.stage == "tree"
    age = SEASON - 1 - truth.year[listed] + 1
    area = np.pi / 4 * (truth.dbh_cm[listed] / 100) ** 2
    year = truth.year[listed]
    by_year = _by_year(truth)
    match claim.kind:
        case "count in doubt":
            return truth.misread.get(claim.subject, 0) >= LEAST_SHIFT
        case "planted":
            near = truth.planted_in and abs(claim.estimate - truth.planted_in) < FAR_YEARS
            return bool(near)
        case "pulse rather than cutting":
            by_either = true_pulse(claim.estimate, truth)
            return not truth.kind.cut if by_either else None
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
        case "minimum age" | "next oldest" | "one of two ages":
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
        case "pulse" if truth.kind.cut and not claim.category.endswith(BY_CUTTING):
            return False  # recruitment was steady
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
