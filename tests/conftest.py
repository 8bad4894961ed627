"""Makes the shared makers in this folder (`small_plan`, `orchards`) importable from every test, and takes the clock out
of the property tests: a busy machine is no counterexample."""

from hypothesis import settings

settings.register_profile("mudcap", deadline=None)
settings.load_profile("mudcap")
