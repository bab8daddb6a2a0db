"""Stands that grow otherwise than the model says: what diameter stems tend to depends on the site,
how fast they grow on their crown class, and no stem stops growing. For measuring dates by size.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from exact_survey import write

SURVEY_SEASON = 2020
# how fast stems of a crown class grow against codominant ones, and how common they are (invented)
NAMES = ("dominant", "codominant", "intermediate", "suppressed")
PACE = np.array([1.2, 1.0, 0.7, 0.4])
SHARE = np.array([0.2, 0.4, 0.25, 0.15])
LEAST_GROWTH = 0.02  # of any stem. [cm/year]
LEAST_DBH = 4.0  # listed. [cm]


@dataclass(frozen=True)
class CrownClassStands:
    """`tables` of a survey by name, and `stems`: tree, stand, established, dbh_cm, crown_class,
    cored.
    """

    tables: dict[str, list[dict]]
    stems: pd.DataFrame

    def write(self, folder):
        return write(folder, **self.tables)


def crown_class_stands(
    seed, *, stands=12, stems=20, smallest_cm=15.0, largest_cm=40.0, cored_share=0.5, liked=1.0
):
    """Stands of `stems` listed stems each, a share of them cored to the pith at breast height and
    dated to the year. Asymptotes of codominant stems are spread evenly between two diameters.

    liked: so many times as likely codominant and dominant stems are taken for coring as others.
    """
    rng = np.random.default_rng(seed)
    asymptotes = rng.permutation(np.geomspace(smallest_cm, largest_cm, stands))
    found = [
        _stand(rng, f"s{k:02d}", asymptote, stems, cored_share, liked)
        for k, asymptote in enumerate(asymptotes)
    ]
    all_stems = pd.concat(found, ignore_index=True)
    names = sorted(all_stems["stand"].unique())
    tables = {
        "stands": [{"stand": name, "survey_date": f"{SURVEY_SEASON}-12-31"} for name in names],
        "plots": [
            {"plot": f"{name}p", "stand": name, "area_m2": 500, "min_dbh_cm": LEAST_DBH}
            for name in names
        ],
        "trees": [
            {
                "tree": stem.tree,
                "stand": stem.stand,
                "species": "generic-conifer",
                "plot": f"{stem.stand}p",
                "dbh_cm": stem.dbh_cm,
                "crown_class": NAMES[stem.crown_class],
            }
            for stem in all_stems.itertuples()
        ],
        "cores": [
            {
                "core": f"{stem.tree}c",
                "tree": stem.tree,
                "height_cm": 137,
                "first_ring_year": stem.at_breast_height,
                "dating": "crossdated",
                "centre": "pith",
                "outer_ring": "complete",
            }
            for stem in all_stems[all_stems["cored"]].itertuples()
        ],
    }
    return CrownClassStands(tables, all_stems)


def _stand(rng, name, asymptote, stems, cored_share, liked):
    """Half of the stems of a few decades, half of any year since the stand began."""
    # poor sites, where nobody cut, hold the old stands
    began = int(rng.integers(1700, 1800) + 8 * (min(asymptote, 35.0) - 15.0))
    flush = int(rng.integers(began, 1970))
    growth = rng.uniform(0.3, 0.6)  # of a young codominant stem [cm/year]
    rows = []
    while len(rows) < stems:
        if rng.random() < 0.5:
            established = int(rng.integers(began, 1996))
        else:
            established = flush + int(rng.gamma(2.0, 8.0))
        passed = established + int(rng.gamma(16.0, 8.0 / 16.0)) + 2
        crown = int(rng.choice(4, p=SHARE))
        dbh = _diameter(rng, SURVEY_SEASON - passed, growth, asymptote, PACE[crown])
        if passed <= SURVEY_SEASON and dbh >= LEAST_DBH:
            rows.append((established, passed, round(dbh, 1), crown))
    table = pd.DataFrame(rows, columns=["established", "at_breast_height", "dbh_cm", "crown_class"])
    table.insert(0, "stand", name)
    table.insert(0, "tree", [f"{name}t{k:02d}" for k in range(stems)])
    wait = rng.exponential(size=stems) / np.where(table["crown_class"] < 2, liked, 1.0)
    table["cored"] = np.argsort(np.argsort(wait)) < cored_share * stems
    return table


def _diameter(rng, seasons, growth, asymptote, pace):
    """Summed ring by ring: slower towards the class's own asymptote, years good and bad."""
    dbh, weather = 0.0, 0.0
    for _ in range(seasons + 1):
        weather = 0.6 * weather + 0.25 * rng.standard_normal()
        left = max(1.0 - dbh / (asymptote * np.sqrt(pace)), 0.0)
        dbh += max(growth * pace * left * np.exp(weather), LEAST_GROWTH)
    return dbh
