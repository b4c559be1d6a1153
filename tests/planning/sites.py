"""A yard of our own for the planner's tests."""

from __future__ import annotations

from treescan.site.model import Site


def box(x0, y0, x1, y1):
    return [(x0, y0), (x1, y0), (x1, y1), (x0, y1)]


def yard(**changes) -> Site:
    """Lawn to the south and around the stem, glasshouse to the east, wire to the north."""
    data = {
        "local": True,
        "job": {"name": "back yard", "species": "Quercus rubra"},
        "conditions": {"in_leaf": True},
        "target": [
            {"name": "glasshouse", "footprint_m": box(5.0, -2.0, 9.0, 4.0), "height_m": 2.6},
            {"name": "shed", "footprint_m": box(-8.0, 3.0, -5.5, 6.0), "height_m": 2.4},
        ],
        "conductor": [
            {
                "name": "service drop",
                "path_m": [(-14.0, 11.0, 6.0), (14.0, 11.0, 6.0)],
                "kilovolts": 0.4,
            }
        ],
        "drop_zone": [{"name": "lawn", "footprint_m": box(-6.0, -14.0, 4.0, 2.5)}],
        "landing": [{"name": "lawn", "footprint_m": box(-6.0, -14.0, 4.0, 2.5)}],
    }
    data.update(changes)
    return Site.model_validate(data)


def open_field(**changes) -> Site:
    """Nothing to hit: grass all around."""
    zone = {"name": "grass", "footprint_m": box(-40.0, -40.0, 40.0, 40.0), "max_energy_kj": 200.0}
    data = {
        "local": True,
        "job": {"name": "field", "species": "Quercus rubra"},
        "drop_zone": [zone],
    }
    data.update(changes)
    return Site.model_validate(data)


def over_the_pond(**changes) -> Site:
    """Water all round on one side, the only landing on the far bank: a line must carry it there."""
    data = {
        "local": True,
        "job": {"name": "pond", "species": "Quercus rubra"},
        "target": [{"name": "pond", "footprint_m": box(1.0, -6, 12, 6), "height_m": 0.3}],
        "landing": [{"name": "far bank", "footprint_m": box(13, -4, 19, 4)}],
        "gear": {"second_line": True},
        "ground_anchor": [{"name": "ash", "at_m": (22.0, 0.0, 5.0)}],
    }
    data.update(changes)
    return Site.model_validate(data)


def wire_over_the_crown(**changes) -> Site:
    """A live wire through the top of the crown: nobody may work there until it is off."""
    wire = {"name": "feeder", "path_m": [(-15, 0.5, 6.5), (15, 0.5, 6.5)], "kilovolts": 11.0}
    return open_field(conductor=[wire], **changes)


def glass_all_round(**changes) -> Site:
    """Glass under the whole crown but for a strip at the foot of the stem."""
    parts = {
        "east": box(1.2, -9, 9, 9),
        "west": box(-9, -9, -1.2, 9),
        "north": box(-1.2, 2.0, 1.2, 9),
    }
    return open_field(
        target=[
            {"name": f"{side} glass", "footprint_m": shape, "height_m": 2.4, "margin_m": 0.5}
            for side, shape in parts.items()
        ],
        drop_zone=[{"name": "strip", "footprint_m": box(-1.1, -6, 1.1, 1.8)}],
        **changes,
    )
