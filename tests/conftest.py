"""Settings of the whole suite."""

from hypothesis import settings

# the same examples on every machine and day: a test that passes here passes there
settings.register_profile("percsim", derandomize=True, deadline=None)
settings.load_profile("percsim")
