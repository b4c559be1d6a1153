"""Gear, anchors, tie-in points and the loads on them."""
