"""Heights of four species in steps of 5 years to 40 years."""

import numpy as np
from drawing import save
from matplotlib.figure import Figure

from shelterscape.science.growth import height_at

ages = np.arange(0, 41, 5)
figure = Figure(figsize=(7, 4))
axes = figure.add_subplot(xlabel="age (years)", ylabel="height (m)")
for species, marker in (
    ("common alder", "o"),
    ("hawthorn", "s"),
    ("Sitka spruce", "D"),
    ("oak", "^"),
):
    heights = [height_at(species, float(age)) for age in ages]
    axes.plot(ages, heights, marker=marker, label=species)
axes.legend(frameon=False)
axes.set_title("Estimates: soil, exposure and care decide", fontsize=9)
save(figure, "growth")
