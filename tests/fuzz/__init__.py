"""Feeding the readers damaged files for minutes or hours: ``python -m tests.fuzz --help``."""
