"""From a tree's points to a graph of stems and limbs with diameters."""
