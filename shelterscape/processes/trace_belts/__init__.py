"""Belts traced in a raster of canopy height."""
