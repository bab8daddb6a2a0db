"""Life-history profiles: the numbers about a species that a stand's own survey cannot supply.

A profile is one TOML file. Every number in it has a unit, a source, a reason and a status, so that
a reader can see which of them are published and which are somebody's judgement. The shipped
profiles live in `models/`; people copy one, edit it and name its folder.
"""

from standage.profiles.library import (
    UncheckedProfile,
    load_profile,
    models_folder,
    profile_keys,
)
from standage.profiles.profile import Profile, Sourced
from standage.profiles.quantities import QUANTITIES, STATUS_MARKS, STATUSES, Quantity
from standage.profiles.reference import profile_reference

__all__ = [
    "QUANTITIES",
    "STATUSES",
    "STATUS_MARKS",
    "Profile",
    "Quantity",
    "Sourced",
    "UncheckedProfile",
    "load_profile",
    "models_folder",
    "profile_keys",
    "profile_reference",
]
