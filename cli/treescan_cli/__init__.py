"""The ``treescan`` command."""
