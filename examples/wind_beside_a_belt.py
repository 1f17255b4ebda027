"""Relative wind beside one belt, with the wind perpendicular to it and at 45°."""

import geopandas as gpd
from affine import Affine
from drawing import save
from matplotlib.figure import Figure
from shapely import LineString

from shelterscape.grid import Grid
from shelterscape.science.belts import complete
from shelterscape.science.shelter import relative_wind

grid = Grid((120, 160), Affine(5, 0, 500_000, 0, -5, 5_700_600), "EPSG:25832")
line = LineString([(500_200, 5_700_400), (500_600, 5_700_400)])
drawn = gpd.GeoDataFrame({"height_m": [10.0], "porosity": [0.4]}, geometry=[line], crs=grid.crs)
belts, _ = complete(drawn, "belts")
figure = Figure(figsize=(9, 3.6))
for number, direction_deg in enumerate((0.0, 45.0), start=1):
    wind = relative_wind(belts, grid, direction_deg)
    axes = figure.add_subplot(1, 2, number, title=f"wind from {direction_deg:.0f}°")
    west, south, east, north = grid.bounds
    image = axes.imshow(wind, cmap="Purples_r", vmin=0.3, vmax=1, extent=(west, east, south, north))
    axes.plot(*line.xy, color="#1f5f4a", linewidth=3)
    axes.set(xticks=[], yticks=[])
figure.colorbar(image, ax=figure.axes, label="sheltered … relative wind … open", shrink=0.8)
save(figure, "wind_beside_a_belt")
