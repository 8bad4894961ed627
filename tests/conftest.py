"""Makes the shared makers in this folder (`small_plan`, `orchards`) importable from every test."""
