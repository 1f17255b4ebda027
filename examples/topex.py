"""Topex of the sample valley: shelter by higher ground around."""

import rasterio
from drawing import SAMPLE, save
from matplotlib.figure import Figure

from shelterscape.grid import Grid
from shelterscape.science.terrain import topex

with rasterio.open(SAMPLE / "dem.tif") as source:
    elevation = source.read(1)
    grid = Grid(elevation.shape, source.transform, source.crs)
found = topex(elevation, grid, limit_m=1000.0)
figure = Figure(figsize=(6, 5))
axes = figure.add_subplot(title="Ostrel valley, invented", xticks=[], yticks=[])
image = axes.imshow(found, cmap="Purples")
figure.colorbar(image, label="exposed … topex to 1000 m (°) … sheltered")
save(figure, "topex")
