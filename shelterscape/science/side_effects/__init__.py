"""Side effects of belts on ground, roads, buildings, lines and drains beside them."""
