"""No time limit for single examples: a busy machine is no fault of the code (pytest-timeout bounds each test)."""

from hypothesis import settings

settings.register_profile("patient", deadline=None)
settings.load_profile("patient")
