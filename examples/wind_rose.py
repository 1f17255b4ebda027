"""How often each wind blows in the sample valley, all year and in spring."""

import numpy as np
import pandas as pd
from drawing import SAMPLE, save
from matplotlib.figure import Figure

winds = pd.read_csv(SAMPLE / "winds.csv", comment="#")
winds["subset"] = winds["subset"].fillna("all year")
figure = Figure(figsize=(8, 4))
for number, subset in enumerate(("all year", "spring"), start=1):
    here = winds[(winds["subset"] == subset) & (winds["direction_deg"] != "calm")]
    directions = np.radians(here["direction_deg"].astype(float))
    axes = figure.add_subplot(1, 2, number, projection="polar", title=subset)
    axes.set_theta_zero_location("N")
    axes.set_theta_direction(-1)
    # The area of a sector is its share of the time.
    axes.bar(directions, np.sqrt(here["frequency"]), width=0.34, color="#c47f2c")
    axes.set_yticklabels([])
save(figure, "wind_rose")
