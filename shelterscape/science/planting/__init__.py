"""Rows, plants, costs and tasks of belts along lines on a map."""
