"""Where a cut piece goes and what it passes."""
