"""Arrays, grids and tables in; the same out. Nothing here opens a file."""
