"""What to cut, how, from where, in which order, and what it takes to haul it."""
