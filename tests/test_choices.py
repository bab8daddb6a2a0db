"""The words that commands list are those that the library takes."""

from typing import get_args

from standage.choices import FigureStyle, Units
from standage.figures.styles import STYLES
from standage.prose.measures import METRIC, US


def test_each_choice_is_one_that_its_room_knows():
    assert get_args(FigureStyle) == tuple(STYLES)
    assert get_args(Units) == (METRIC, US)
