"""Makes the shared makers in this folder (`small_plan`, `orchards`) importable from every test, takes the clock out of the
property tests (a busy machine is no counterexample), and draws the same examples in every run. `MUDCAP_FUZZ=1` draws new ones."""

import os

from hypothesis import settings

settings.register_profile("mudcap", deadline=None, derandomize=True)
settings.register_profile("fuzz", deadline=None)
settings.load_profile("fuzz" if os.environ.get("MUDCAP_FUZZ") else "mudcap")
