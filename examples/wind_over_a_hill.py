"""Speed-up of wind over a smooth hill, on a line along the wind through its top."""

import numpy as np
from affine import Affine
from drawing import save
from matplotlib.figure import Figure

from shelterscape.grid import Grid
from shelterscape.science.terrain import speed_up

CELL_M, SIDE = 20.0, 256
grid = Grid((SIDE, SIDE), Affine(CELL_M, 0, 5e5, 0, -CELL_M, 57e5), "EPSG:25832")
metres = (np.arange(SIDE) - SIDE / 2) * CELL_M
elevation = 60.0 * np.exp(-(metres**2 + metres[:, None] ** 2) / (2 * 400.0**2))
figure = Figure(figsize=(7, 4))
axes = figure.add_subplot(xlabel="distance from the top, wind from the left (m)", ylabel="speed-up")
for height_m, stroke in ((2.0, "-"), (10.0, "--"), (30.0, ":")):
    wind = speed_up(elevation, grid, 270.0, height_m=height_m)
    label = f"{height_m:g} m above ground"
    axes.plot(metres, wind.speed_up[SIDE // 2], stroke, color="#96500a", label=label)
axes.axhline(0, color="#8a8a8a", linewidth=0.8)
axes.legend(frameon=False)
save(figure, "wind_over_a_hill")
