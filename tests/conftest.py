"""What every test shares."""

from __future__ import annotations

from hypothesis import settings

# Two test processes share two cores with whatever else runs there, so a wall-clock deadline for
# one example says nothing about the code. A failing example is printed so that it can be kept.
settings.register_profile("house", deadline=None, print_blob=True, max_examples=60)
settings.load_profile("house")
