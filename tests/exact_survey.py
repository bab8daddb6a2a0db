"""Surveys of which every stem is dated to the year, and profiles with numbers changed."""

from __future__ import annotations

import dataclasses
import re
from pathlib import Path

from standage.profiles import models_folder
from standage.stand.data import StandData


def own_profile(folder: Path, key: str, **changes: float) -> Path:
    """A copy of the generic conifer's profile under another key, with some numbers changed."""
    folder.mkdir(parents=True, exist_ok=True)
    text = (
        (models_folder() / "generic-conifer.toml")
        .read_text(encoding="utf-8")
        .replace('key = "generic-conifer"', f'key = "{key}"')
    )
    for name, value in changes.items():
        text, found = re.subn(
            rf"^({name} = {{value = )[^,]+", rf"\g<1>{value}", text, flags=re.MULTILINE
        )
        assert found == 1, name
    (folder / f"{key}.toml").write_text(text, encoding="utf-8")
    return folder


def write(folder: Path, **tables: list[dict]) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    for name, rows in tables.items():
        lines = [",".join(rows[0])] + [
            ",".join(str(value) for value in row.values()) for row in rows
        ]
        (folder / f"{name}.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return folder


def exactly_dated(
    years, species: str, *, height: float | None = None, plot: str = "", dbh_cm=None
) -> dict[str, list[dict]]:
    """A stand of which every stem has a crossdated core through the pith, complete to the bark."""
    trees, cores = [], []
    for number, year in enumerate(years):
        tree = {"tree": f"t{number}", "stand": "a", "species": species, "plot": plot}
        trees.append(tree if dbh_cm is None else tree | {"dbh_cm": dbh_cm[number]})
        cores.append(
            {
                "core": f"c{number}",
                "tree": f"t{number}",
                "height_cm": "" if height is None else height,
                "first_ring_year": int(year),
                "dating": "crossdated",
                "centre": "pith",
                "outer_ring": "complete",
            }
        )
    return {"trees": trees, "cores": cores}


def with_axis_from(data: StandData, first_year: int) -> StandData:
    """The same data on an axis that begins later. Trees stood before the record of them; explosions
    were not recorded before 1851.
    """
    fewer, unit = first_year - data.first_year, data.units[0]
    trees = tuple(
        dataclasses.replace(
            tree,
            nodes=tuple(
                dataclasses.replace(node, band_start=node.band_start - fewer) for node in tree.nodes
            ),
        )
        for tree in unit.trees
    )
    unit = dataclasses.replace(
        unit,
        season_index=unit.season_index - fewer,
        trees=trees,
        removal_shape=unit.removal_shape[:, fewer:],
    )
    return dataclasses.replace(
        data, n_years=data.n_years - fewer, first_year=first_year, units=(unit,)
    )
