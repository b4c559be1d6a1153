"""Formulas over numbers and arrays; never a tree.

Arguments that are ``array_like`` broadcast, and results have the shape they broadcast to.  A value
that is not finite or out of its range raises :class:`treescan.errors.InvalidInputError`.  A
formula that names no source is exact mechanics or geometry of what its docstring assumes.  Some
are here for their published check values only (``tests/mechanics``): the parts that the planner
uses are held against the same tables.
"""
