"""`field-check`: a planner's anemometer readings beside belts against the shelter curve."""
