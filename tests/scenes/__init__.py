"""Seeded trees of known geometry, scanned by a virtual instrument."""
