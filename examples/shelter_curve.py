"""How far a belt shelters, by its porosity."""

import numpy as np
from drawing import save
from matplotlib.figure import Figure

from shelterscape.kernels.shelter_curves import relative_wind_barrier

distance_h = np.linspace(0.0, 30.0, 121)
figure = Figure(figsize=(7, 4))
axes = figure.add_subplot(
    xlabel="distance leeward (belt heights)", ylabel="relative wind", ylim=(0, 1.1)
)
for porosity, stroke in ((0.0, ":"), (0.3, "-"), (0.5, "--"), (0.7, "-.")):
    wind = relative_wind_barrier(distance_h, porosity)
    axes.plot(distance_h, wind, stroke, color="#53318c", label=f"porosity {porosity:g}")
axes.legend(frameon=False)
save(figure, "shelter_curve")
