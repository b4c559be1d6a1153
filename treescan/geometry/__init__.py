"""The gate to open3d; no tree words here."""
