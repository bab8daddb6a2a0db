"""Events as the record has them."""

import pytest

from standage.findings.events_on_record import opens


@pytest.mark.parametrize(
    ("kind", "on_record", "opened"),
    [
        ("logging", "", True),
        ("thinning", "", True),
        ("insects", "", True),
        ("storm", "no", False),
        ("fire", "", False),
        ("fire", "yes", True),
        ("turpentining", "yes", True),
        ("field-abandoned", "yes", False),
        ("planting", "yes", False),
        ("seed-crop", "", False),
        ("fire-exclusion", "", False),
    ],
)
def test_which_events_open_the_canopy_above_waiting_plants(kind, on_record, opened):
    assert opens(kind, on_record) == opened
