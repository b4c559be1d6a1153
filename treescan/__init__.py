"""Plan the removal of a tree from a scan.

The names below are the public interface; everything else may change.  They are loaded when first
used, so that ``import treescan`` costs nothing.

- From scan to plan: :func:`plan_removal`, :func:`measure_scan`, :func:`save_results`,
  :class:`RunOptions`; what comes back: :class:`JobResult` with its :class:`Plan`,
  :class:`TreeGraph` and :class:`Band` values.
- Parts of it: :func:`read_scan`, :func:`read_tree`, :func:`read_site`, :func:`find_species`.
- One lift without a scan: :func:`quick_load`.
- :class:`TreescanError` is the base of everything raised on purpose.

SI units; a quantity with a spread is a ``Band(low, likely, high)``.  A planning aid: a qualified
arborist decides.

Examples
--------
The load of one lift: 100 kg falls 2 m onto 15 m of locked line with EA = 250 kN.

>>> import treescan
>>> lift = treescan.quick_load(mass_kg=100.0, drop_m=2.0, line=250.0, line_length_m=15.0)
>>> lift["lead_tension_N"]["high"]
9127.3

Wood values of a species, by common or scientific name; a wrong name names near matches.

>>> treescan.find_species("norway maple").scientific_name
'Acer platanoides'
>>> try:
...     treescan.find_species("Quercus rubrra")
... except treescan.TreescanError as error:
...     "Quercus rubra" in str(error)
True

A site, checked as its file would be.

>>> site = treescan.Site(climber={"mass_kg": 82.0}, crew={"ground": 3})
>>> site.limits.max_piece_kg
400.0

Spreads travel with their numbers.

>>> treescan.Band(1.0, 2.0, 4.0) + treescan.Band(0.5, 1.0, 1.5)
Band(low=1.5, likely=3.0, high=5.5)
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

from treescan._version import __version__

if TYPE_CHECKING:
    from treescan.errors import TreescanError
    from treescan.pipeline.outputs import save_results
    from treescan.pipeline.run import RunOptions, measure_scan, plan_removal
    from treescan.planning.types import JobResult, Plan
    from treescan.pointcloud.reading import read_scan
    from treescan.report.tree_json import read_tree
    from treescan.rigging.quick import quick_load
    from treescan.site.model import Site
    from treescan.site.reading import read_site
    from treescan.skeleton.graph import TreeGraph
    from treescan.units import Band
    from treescan.wood.species import find_species

__all__ = [
    "Band",
    "JobResult",
    "Plan",
    "RunOptions",
    "Site",
    "TreeGraph",
    "TreescanError",
    "__version__",
    "find_species",
    "measure_scan",
    "plan_removal",
    "quick_load",
    "read_scan",
    "read_site",
    "read_tree",
    "save_results",
]

_HOME = {
    "Band": "treescan.units",
    "JobResult": "treescan.planning.types",
    "Plan": "treescan.planning.types",
    "RunOptions": "treescan.pipeline.run",
    "Site": "treescan.site.model",
    "TreeGraph": "treescan.skeleton.graph",
    "TreescanError": "treescan.errors",
    "find_species": "treescan.wood.species",
    "measure_scan": "treescan.pipeline.run",
    "plan_removal": "treescan.pipeline.run",
    "quick_load": "treescan.rigging.quick",
    "read_scan": "treescan.pointcloud.reading",
    "read_site": "treescan.site.reading",
    "read_tree": "treescan.report.tree_json",
    "save_results": "treescan.pipeline.outputs",
}


def __getattr__(name: str) -> object:
    """Load a public name from its module when it is first used."""
    home = _HOME.get(name)
    if home is None:
        raise AttributeError(f"module 'treescan' has no attribute '{name}'")
    value = getattr(import_module(home), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    """Public names, loaded or not."""
    return sorted({*globals(), *__all__})
