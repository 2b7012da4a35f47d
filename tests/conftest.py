"""Laws are not timed: a slow machine fails no test. What else a run is set to stays as it is."""

from hypothesis import settings

settings.register_profile("untimed", settings(), deadline=None)
settings.load_profile("untimed")
