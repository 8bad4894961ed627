"""Makes the shared makers in this folder (`plans`, `orchards`) importable from every test."""
