"""Files for people: cut list, card, report, meshes, pictures."""
