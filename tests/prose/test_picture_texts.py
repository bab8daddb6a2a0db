"""Words beside pictures: only of what is drawn."""

from __future__ import annotations

import numpy as np
import pandas as pd

from standage.prose.picture_texts import event_key


def test_a_mark_is_explained_where_it_is_drawn():
    """By the marks of `figures.event_lane`."""
    columns = ["first_year", "last_year", "ended_year"]

    def key(*events):
        return event_key(pd.DataFrame(events, columns=columns))

    assert key() == ""
    assert key((1921, 1921, np.nan)) == "Events: triangle, the year."
    assert key((1921, 1924, np.nan)) == "Events: line between stops, one of these years."
    assert key((1921, 1921, 1930)) == "Events: grey bar, how long it lasted."
    both = key((1921, 1924, 1930), (1950, 1950, np.nan))
    assert all(mark in both for mark in ("triangle", "line between stops", "grey bar"))
