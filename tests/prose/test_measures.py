"""Amounts with their units, metric and those of the United States."""

from __future__ import annotations

import pytest

from standage.prose.measures import Measures


def test_acres_inches_and_feet_stand_beside_on_request():
    us, metric = Measures("us"), Measures()
    words = metric.stems_between(100, 200, 300)
    assert words == "about 200 stems per hectare (100 to 300)"
    # an acre has 0.40468564224 hectares
    in_acres = "about 200 stems per hectare (100 to 300; 40 to 120 per acre)"
    assert us.stems_between(100, 200, 300) == in_acres
    # 1 m2/ha = 4.356 ft2/acre
    assert us.basal_area(20) == "20 m\u00b2 per hectare (87 ft\u00b2 per acre)"
    assert us.basal_area_parts(20) == ("20 m\u00b2/ha", "= 87 ft\u00b2/acre")
    assert metric.basal_area_parts(20) == ("20 m\u00b2/ha", "")
    assert us.diameter(25.4) == "25.4 cm (10.0 in)" and us.height(137.16) == "137.2 cm (4.5 ft)"
    sentence = "stems from 22 cm up to 25.4 cm"
    assert us.beside_cm(sentence) == "stems from 22 cm (8.7 in) up to 25.4 cm (10.0 in)"
    assert metric.beside_cm(sentence) == sentence
    with pytest.raises(ValueError, match="metric"):
        Measures("feet")
