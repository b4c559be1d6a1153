"""Vectors, frames, distances and hulls; no tree words here."""
