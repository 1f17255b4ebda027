"""From a line on a map to plants in the ground."""
