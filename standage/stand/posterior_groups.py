"""A posterior as one tree of arrays with names, as its file holds it, and the parts of a posterior
read from such a tree.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, fields
from typing import TYPE_CHECKING, Any, cast

import numpy as np
import pandas as pd
import xarray as xr

from standage.stand.labelled import NO_YEAR
from standage.stand.prior_components import PriorComponent
from standage.stand.survey_groups import (
    profile_group,
    profile_of,
    survey_groups,
    survey_of,
    texts,
    texts_of,
)
from standage.stand.table_variables import table_of, table_variables
from standage.stand.verdict_record import Check, Verdict

if TYPE_CHECKING:
    from standage.stand.posterior import Posterior

FORMAT = 5  # of the file; raised when its layout changes, so that an older one is refused by name
DRAWN = ("posterior", "prior", "posterior_predictive", "observed_data")
# ArviZ knows this group and looks no deeper, xarray finds the tables in it
TABLES = "constant_data"
TREES = {
    "unit": ("", "number of the stem's unit, -1 where its species has none in the stand"),
    "in_process": ("", "whether the stem counts in the likelihood"),
    "basis": ("", "what dates it: cored, size or planted"),
    "dbh_cm": ("cm", "diameter at breast height (1.37 m), over bark"),
    "coring_height_cm": ("cm", "height of the lowest core"),
    "innermost_ring_year": ("calendar year", "innermost ring of the lowest core"),
    "left_out_reason": ("", "why it has no date"),
}
COUNTS = {
    "unit": ("", "number of the unit"),
    "observed": ("plants", "counted"),
    "predicted_low": ("plants", "lower end of what the model expects, at the level of the fit"),
    "predicted_median": ("plants", "median of what the model expects"),
    "predicted_high": ("plants", "upper end of what the model expects, at the level of the fit"),
    "p": ("probability", "of counts as far off or farther, two-sided"),
    "factor": ("ratio", "counts over what the rest of the survey expects"),
}
COMPONENTS = {
    "of_unit": ("", "number of the unit"),
    "component": ("", "number of the assumption in the unit; a record a parameter of it"),
    "places": ("", "place of the parameter in the vector of parameters"),
    "weights": ("", "of the parameter in the assumption's own quantity"),
    "by": ("standard deviations of the prior", "how far the mean of the parameter is moved"),
}
LISTS = ("places", "weights", "by")  # of a component, an entry a parameter


def tree_of(posterior: Posterior) -> xr.DataTree:
    """The posterior as one tree."""
    tables = {
        "trees": table_variables(posterior.trees, TREES),
        "parameters": table_variables(posterior.parameters),
        "stage_counts": table_variables(posterior.stage_counts, COUNTS),
        "prior_components": table_variables(_components(posterior.prior_components), COMPONENTS),
        **_verdict_groups(posterior.verdict),
        **{f"survey/{name}": group for name, group in survey_groups(posterior.survey).items()},
        **{f"profiles/{key}": profile_group(one) for key, one in posterior.profiles.items()},
    }
    about = {
        "title": f"posterior of {posterior.survey.name}, made by standage",
        "format": FORMAT,
        "level": posterior.level,
        "seed": posterior.seed,
    }
    return xr.DataTree.from_dict(
        {"/": xr.Dataset(attrs=about)}
        | {name: posterior.draws_by_name[name].dataset for name in DRAWN}
        | {TABLES: xr.Dataset({"notes": texts(posterior.notes, "note")})}
        | {f"{TABLES}/{path}".rstrip("/"): group for path, group in tables.items()}
    )


def parts_of(tree: xr.DataTree) -> dict[str, Any]:
    """What a `Posterior` is made of, from a tree that `tree_of` made."""
    stored = {
        group.path.removeprefix(f"/{TABLES}/"): group.to_dataset(inherit=False)
        for group in tree[TABLES].subtree
    }

    def below(path: str) -> dict[str, xr.Dataset]:
        return {
            name.removeprefix(path).lstrip("/"): group
            for name, group in stored.items()
            if name == path or name.startswith(f"{path}/")
        }

    drawn = {name: _without_fill(tree.children[name].to_dataset()) for name in DRAWN}
    profiles = {key: profile_of(group) for key, group in below("profiles").items() if key}
    units = drawn["posterior"].sizes["unit"]
    return {
        "survey": survey_of(below("survey")),
        "profiles": profiles,
        "level": float(tree.attrs["level"]),
        "seed": int(tree.attrs["seed"]),
        "draws_by_name": xr.DataTree.from_dict(drawn),
        "trees": table_of(stored["trees"]),
        "parameters": table_of(stored["parameters"]),
        "stage_counts": table_of(stored["stage_counts"]),
        "verdict": _verdict_of(below("verdict")),
        "prior_components": _components_of(table_of(stored["prior_components"]), units),
        "notes": texts_of(tree.children[TABLES].dataset["notes"]),
    }


def _without_fill(group: xr.Dataset) -> xr.Dataset:
    """Years as whole numbers, `NO_YEAR` where there is none."""
    years = [name for name in ("establishment_year", "year_at_core") if name in group]
    for name in years:
        group[name] = group[name].fillna(NO_YEAR).astype(np.int32)
    return group


def _components(by_unit: Sequence[Sequence[PriorComponent]]) -> pd.DataFrame:
    rows = [
        {
            "of_unit": number,
            "component": place,
            **asdict(one),
            **dict(zip(LISTS, each, strict=True)),
        }
        for number, of_unit in enumerate(by_unit)
        for place, one in enumerate(of_unit)
        for each in zip(*(getattr(one, name) for name in LISTS), strict=True)
    ]
    names = [field.name for field in fields(PriorComponent)]
    return pd.DataFrame(rows, columns=["of_unit", "component", *names])


def _components_of(table: pd.DataFrame, units: int) -> tuple[tuple[PriorComponent, ...], ...]:
    found: list[list[PriorComponent]] = [[] for _ in range(units)]
    for (number, _), records in table.groupby(["of_unit", "component"], sort=True):
        rows = records.drop(columns=["of_unit", "component"]).to_dict("list")
        whole = {name: tuple(values) for name, values in rows.items() if name in LISTS}
        found[number].append(
            PriorComponent(**{name: values[0] for name, values in rows.items()} | whole)
        )
    return tuple(tuple(of_unit) for of_unit in found)


def _verdict_groups(verdict: Verdict) -> dict[str, xr.Dataset]:
    """Numbers of the verdict, and its checks as a table."""
    numbers: Any = {key: value for key, value in verdict.items() if key not in ("notes", "checks")}
    about = xr.Dataset(
        {"notes": texts(verdict["notes"], "remark")},
        attrs=numbers | {"passed": int(verdict["passed"])},
    )
    checks = pd.DataFrame(verdict["checks"], columns=list(Check.__annotations__))
    return {"verdict": about, "verdict/checks": table_variables(checks)}


def _verdict_of(groups: Mapping[str, xr.Dataset]) -> Verdict:
    about, checks = groups[""], table_of(groups["checks"])
    numbers = {
        key: value if isinstance(value, str) else value.item() for key, value in about.attrs.items()
    } | {"passed": bool(about.attrs["passed"])}
    lists = {"notes": list(texts_of(about["notes"])), "checks": checks.to_dict("records")}
    return cast(Verdict, numbers | lists)
