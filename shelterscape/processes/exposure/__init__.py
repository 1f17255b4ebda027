"""How exposed the ground is, and from where."""
