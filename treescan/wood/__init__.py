"""Species, green density, green mass, strength, and the pieces a tree is cut into."""
