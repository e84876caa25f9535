"""How many examples each property is tried on: a number for the whole run, and each property's share of it."""

from __future__ import annotations

import os

from hypothesis import HealthCheck, settings

SLOW = [HealthCheck.too_slow]

# Derandomised: the same examples on every run, so that a failure belongs to the change and not to the day.
settings.register_profile(
    "ci", derandomize=True, max_examples=12, deadline=None, database=None, suppress_health_check=SLOW
)
# Others every time; a failure prints what repeats it.
settings.register_profile("nightly", max_examples=500, deadline=None, print_blob=True, suppress_health_check=SLOW)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "ci"))


def budget(share: float) -> settings:
    """Return the setting for a property that is tried on this share of the profile's examples, on one at least."""
    return settings(max_examples=max(1, round(share * settings().max_examples)))


def more(times: int) -> int:
    """Return by how many times a sample is larger in the nightly profile: 1 in any other."""
    return times if settings.get_current_profile_name() == "nightly" else 1
