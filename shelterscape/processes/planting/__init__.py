"""`planting`: rows, plants, costs and tasks of new belts."""
