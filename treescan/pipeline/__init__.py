"""The whole run, from scan to outputs.  :mod:`treescan.pipeline.run` reads as the job does."""
