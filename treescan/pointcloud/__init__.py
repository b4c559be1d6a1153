"""From scan files to one tree's points and the ground under it."""
