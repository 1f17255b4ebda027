"""Tracing of belts: networks, lines, measurements along them, and checks of the rasters."""
