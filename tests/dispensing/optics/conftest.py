"""Property tests have no clock: the suite never asserts how long something takes."""

from hypothesis import settings

settings.register_profile("datumline", deadline=None)
settings.load_profile("datumline")
