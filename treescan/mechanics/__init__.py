"""Formulas over numbers and arrays; never a tree."""
