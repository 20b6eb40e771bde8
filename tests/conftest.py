"""Settings for all tests."""

from hypothesis import settings

# A busy machine makes single examples slow; time is watched by the benchmarks, not by each property.
settings.register_profile("steady", deadline=None)
settings.load_profile("steady")
