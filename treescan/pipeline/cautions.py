"""The cautions of one run: what its numbers are not, and what this site and species ask for."""

from __future__ import annotations

from treescan.site.model import Site
from treescan.wood.types import Species


def standing_cautions(site: Site, species: Species, *, planned: bool) -> tuple[str, ...]:
    """Sentences that go with the numbers of this job."""
    lines = [
        "This is a planning aid, not an instruction: a qualified arborist inspects the tree, "
        "checks every number on site and decides. Local codes, utility rules and licensed "
        "practice come first.",
        "A scan shows the outside only. Decay, cracks, cavities, included bark and roots must be "
        "judged by inspection and entered as defects.",
        "Weights, loads and clearances are ranges. Loads use the heavy end and strengths the low "
        "end; nothing here is a guarantee.",
        "Knots, slings, lines and hardware are rated by their makers: follow the rating in hand "
        "where it is lower than the value used here.",
    ]
    if site.conductor:
        lines.append(
            "Wires: treat every conductor as live. Ask the utility to cut power or insulate, and "
            "keep the legal distance for your qualification."
        )
    elif planned:
        lines.append("No wires are marked in the site file: look for them before any cut.")
    if species.confidence != "high":
        lines.append(
            f"Wood values of {species.common_name} are of {species.confidence} confidence: "
            "weigh the first piece and compare."
        )
    if "[from memory]" in species.sources:
        lines.append(
            f"Some wood values of {species.common_name} are quoted [from memory] of the cited "
            "tables and have not been read again."
        )
    if not planned:
        lines.append(
            "No cut plan was made: a plan needs a site file that says what must not be hit, where "
            "pieces may land and what gear is there."
        )
    return tuple(lines)
