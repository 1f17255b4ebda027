"""How far belts shelter the ground around them."""
