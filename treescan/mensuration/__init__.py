"""Volumes and tree measurements from the skeleton graph."""
