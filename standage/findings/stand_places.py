"""Where and when stands were surveyed, as exactly as the survey holds it."""

from __future__ import annotations

import pandas as pd

COORDINATES = ("latitude", "longitude")


def stand_places(stands: pd.DataFrame) -> pd.DataFrame:
    """Community, coordinates and survey date of each stand; blank where the survey doesn't say."""
    dates = pd.to_datetime(stands["survey_date"]).dt.strftime("%Y-%m-%d")
    places = stands.reindex(columns=["stand", "community", *COORDINATES]).assign(
        survey_date=dates.to_numpy()
    )
    return places.assign(**{name: places[name].astype(float) for name in COORDINATES})
