"""`planting`: from chosen lines to plants in the ground."""
