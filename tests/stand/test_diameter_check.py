"""Stems seen by class of diameter have the limits of those predicted: a table counted by hand."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from standage.stand.build import build_stands
from standage.stand.dated_stems import class_edges
from standage.stand.expected import DIAMETER_EDGES, _seen
from standage.survey.reading import read_survey

# by hand: 2 stems of 10-20, 3 of 20-28, 4 of 28-40, 2 of 40-48, 3 of 48-64
UNCORED = [10.0, 19.9, 20.0, 27.9, 28.0, 30.0, 31.9, 40.0, 48.0, 55.9, 57.0]
CORED = [21.0, 39.9, 47.9]
BY_HAND = [0, 2, 3, 4, 2, 3, 0, 0, 0]


@pytest.mark.parametrize("limits", [[5.0], [12.7, 25.0, 50.0]])
def test_stems_are_seen_between_the_limits_they_are_predicted_for(limits):
    edges = class_edges(57.0, np.array(limits))

    def classes(diameters):
        return np.searchsorted(edges, diameters, side="right") - 1

    which, count = np.unique(classes(UNCORED), return_counts=True)
    nodes = [SimpleNamespace(dbh_class=c) for c in [*classes(CORED), -1]]
    unit = SimpleNamespace(
        uncored_class=which, uncored_count=count, trees=[SimpleNamespace(nodes=nodes)]
    )
    assert _seen(SimpleNamespace(class_edges_cm=edges), unit).tolist() == BY_HAND


def test_every_limit_is_one_of_the_models_own_classes():
    assert set(DIAMETER_EDGES) <= set(class_edges(150.0, np.array([5.0])))


def test_the_demo_is_seen_as_its_tables_have_it():
    """Planted stems are no part of the recruitment that is modelled: eight of one stand."""
    survey = read_survey("demo/longleaf-survey")
    data = build_stands(survey).data
    trees = survey.trees
    own = trees[
        (trees["status"] == "live") & (trees["plot"] != "") & (trees["species"] == "longleaf-pine")
    ]
    for unit in data.units:
        of_stand = own[own["stand"] == unit.stand]
        natural = of_stand[of_stand["origin"] != "planted"]["dbh_cm"]
        assert _seen(data, unit).tolist() == np.histogram(natural, DIAMETER_EDGES)[0].tolist()
    planted = own[own["origin"] == "planted"]
    assert planted.groupby("stand").size().to_dict() == {"hollowfern-upland": 8}
    assert planted["dbh_cm"].between(10, 20).all()
