"""`side-effects`: what belts may harm or change on the ground and beside it."""
