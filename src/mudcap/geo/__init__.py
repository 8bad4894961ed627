"""Plane geometry: the local plane, lines, grids, GPS tracks and units. Knows nothing of orchards."""
