"""Steps “conditions”, “crew”, “gear”, “trucks” and “limits”: forms over the site file."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, get_args

from nicegui import ui

from treescan.errors import InvalidInputError
from treescan.mechanics.rope import KNOT_EFFICIENCY
from treescan.page.controls import heading, small, warning, wide, words
from treescan.page.device import units
from treescan.page.forms import Entry, form, free_name, keep_site, site_data
from treescan.page.panels import Panel
from treescan.page.quantities import (
    COUNT,
    DIAMETER,
    FACTOR,
    FORCE,
    HOURS,
    LENGTH,
    MASS,
    PER_HOUR,
    SHARE,
    SPEED,
    VOLUME,
)
from treescan.page.session import Session
from treescan.rigging.gear import catalogue
from treescan.site.model import Defect
from treescan.wood.species import all_species, find_species

NOT_KNOWN = {None: "not known", True: "yes", False: "no"}
YES_NO = {True: "yes", False: "no"}
DEFECTS = get_args(Defect.model_fields["kind"].annotation)
TAKES = {"chip": "chips", "log": "logs", "brush": "brush", "any": "anything"}


def conditions(session: Session) -> None:
    """Name, species and the state of the tree on the day."""
    kinds = {s.scientific_name: f"{s.common_name} ({s.scientific_name})" for s in all_species()}
    kinds |= {"unknown broadleaf": "not known, broadleaf", "unknown conifer": "not known, conifer"}
    form(
        session,
        (
            Entry(("job", "name"), "Name of the job"),
            Entry(
                ("job", "species"), "Species", choices=kinds, free=True,
                hint="Common or scientific name; “not known” makes every range wider.",
                check=lambda name: find_species(name, own=session.store.site.own_species),
            ),
            Entry(("conditions", "in_leaf"), "In leaf", choices=NOT_KNOWN),
            Entry(("conditions", "wet"), "Crown wet from rain", choices=YES_NO),
            Entry(("conditions", "wind_m_s"), "Wind", SPEED),
            Entry(
                ("conditions", "season"), "Season",
                choices={None: "not given", "spring": "spring", "summer": "summer",
                         "autumn": "autumn", "winter": "winter"},
            ),
        ),
    )  # fmt: skip


def defects(session: Session) -> None:
    """What the scan cannot know: found by sounding and looking."""
    heading("Defects found by looking and sounding")
    words("The scan sees no decay, crack or included bark. Enter what was found on the tree.")
    for row, defect in enumerate(session.store.site.defect):
        facts: list[str] = [defect.kind]
        if defect.height_m is not None:
            facts.append(LENGTH.text(defect.height_m, units()) + " up")
        if defect.limb is not None:
            facts.append(f"limb {defect.limb}")
        if defect.at_m is not None:
            facts.append("marked in 3-D")
        with ui.row().classes("ts-row items-center no-wrap"):
            words(", ".join(facts))
            ui.space()
            small("Strike out", _striker(session, ("defect",), row), said=f"Strike out {facts[0]}")
    kind = ui.select(list(DEFECTS), value="cavity", label="Kind").classes("w-full")
    with ui.row().classes("w-full no-wrap"):
        up = ui.input(f"Height up the stem, {LENGTH.unit(units()).sign}").classes("grow")
        limb = ui.input("or limb number").classes("grow").props("inputmode=numeric")
    up.props("inputmode=decimal")
    shell = ui.input(f"Cavity: sound wood left, {DIAMETER.unit(units()).sign}").classes("w-full")
    shell.props("inputmode=decimal").bind_visibility_from(kind, "value", lambda v: v == "cavity")

    def add() -> None:
        entry: dict[str, Any] = {"kind": kind.value}
        for key, box, quantity in (
            ("height_m", up, LENGTH), ("limb", limb, COUNT), ("sound_shell_m", shell, DIAMETER)
        ):  # fmt: skip
            value = _typed_number(box, quantity)
            if value is not None and (key != "sound_shell_m" or kind.value == "cavity"):
                entry[key] = value
        data = site_data(session)
        data["defect"] = [*data.get("defect", []), entry]
        keep_site(session, data, f"Defect added: {kind.value}")

    wide("Add this defect", add, plain=True).mark("add-defect")


def crew(session: Session) -> None:
    """Who works."""
    form(
        session,
        (
            Entry(("climber", "mass_kg"), "Climber with gear", MASS),
            Entry(("climber", "saw_bar_m"), "Guide bar of the climber's saw", DIAMETER),
            Entry(("climber", "reach_m"), "Reach from the tie-in to a cut", LENGTH),
            Entry(("crew", "ground"), "People on the ground", COUNT),
            Entry(("crew", "chipper_t_h"), "Chipper", PER_HOUR),
        ),
    )


def gear(session: Session) -> None:
    """What is rigged with."""
    warning("Catalogue values are typical ones. The tag on the gear in hand leads.")

    def names(kind: str) -> dict[Any, str]:
        own = [str(row["name"]) for row in session.store.site.gear.own if row.get("kind") == kind]
        return {n: n for n in (*own, *(g.name for g in catalogue() if g.kind == kind))}

    form(
        session,
        (
            Entry(("gear", "line"), "Rigging line", choices=names("line")),
            Entry(("gear", "line_length_m"), "Its length", LENGTH),
            Entry(("gear", "knot"), "Knot on the piece", choices={k: k for k in KNOT_EFFICIENCY}),
            Entry(
                ("gear", "wear_factor"), "Strength left by wear", SHARE, hint="100 % is new line"
            ),
            Entry(("gear", "sling"), "Sling", choices=names("sling")),
            Entry(("gear", "block"), "Block", choices=names("block")),
            Entry(("gear", "friction_device"), "Friction device", choices=names("friction device")),
            Entry(("gear", "hand_force_n"), "Hand force at the friction device", FORCE),
            Entry(("gear", "tag_line"), "Tag line at hand", choices=YES_NO),
            Entry(("gear", "second_line"), "Second rigging line", choices=YES_NO),
        ),
    )


def trucks(session: Session) -> None:
    """The trucks, each with its own inputs."""
    for row, truck in enumerate(session.store.site.haul.trucks):
        heading(f"Truck {row + 1}: {truck.name}")
        place = ("haul", "trucks", row)
        form(
            session,
            (
                Entry((*place, "name"), "Name"),
                Entry((*place, "takes"), "Takes", choices=TAKES),
                Entry((*place, "volume_m3"), "Load space", VOLUME),
                Entry((*place, "payload_kg"), "Payload", MASS),
                Entry((*place, "lift_limit_kg"), "Loader lifts at most", MASS),
                Entry((*place, "trip_hours"), "One trip there and back", HOURS),
                Entry((*place, "count"), "How many of these", COUNT),
            ),
        )
        small(
            f"Strike out {truck.name}",
            _striker(session, ("haul", "trucks"), row),
        )
    taken = {truck.name for truck in session.store.site.haul.trucks}

    def add() -> None:
        data = site_data(session)
        truck = {"name": free_name("truck", taken), "volume_m3": 8.0, "payload_kg": 3500.0}
        data["haul"]["trucks"] = [*data["haul"]["trucks"], truck]
        keep_site(session, data, "Truck added")

    wide("Add a truck", add, plain=True).mark("add-truck")
    heading("Material")
    form(
        session,
        (
            Entry(("haul", "fill_share"), "Load space used", SHARE),
            Entry(("haul", "chip_expansion"), "Chips: loose volume over solid volume", FACTOR),
            Entry(("haul", "chip_below_m"), "Chip what is thinner than", DIAMETER),
        ),
    )


def limits(session: Session) -> None:
    """What must not be passed."""
    form(
        session,
        (
            Entry(("limits", "max_piece_kg"), "Heaviest piece on the line", MASS),
            Entry(("limits", "log_length_m"), "Log length", LENGTH),
            Entry(("limits", "max_log_diameter_m"), "Thickest log to be handled", DIAMETER),
            Entry(
                ("limits", "line_share_of_mbs"), "Line: share of its breaking strength", SHARE,
                hint="Peak pull over breaking strength with knot and wear; 20 % is usual.",
            ),
            Entry(
                ("limits", "anchor_share"), "Anchor: share of what the wood may carry", SHARE
            ),
        ),
    )  # fmt: skip


def _typed_number(box: ui.input, quantity: Any) -> float | int | None:
    try:
        value: float | int | None = quantity.read(str(box.value or ""), units())
    except ValueError as fault:
        raise InvalidInputError(f"{box.label}: {fault}.") from fault
    return value


def _striker(session: Session, place: tuple[str, ...], row: int) -> Callable[[], None]:
    """Action that strikes an entry of a list out of the site file."""

    def strike() -> None:
        data = site_data(session)
        rows: Any = data
        for key in place:
            rows = rows[key]
        gone = rows.pop(row)
        keep_site(session, data, f"Struck out: {gone.get('name') or gone.get('kind')}")

    return strike


def _renewed(
    build: Callable[[Session], None], shape: Callable[[Session], object]
) -> Callable[[Session], None]:
    """Panel that is drawn again only when ``shape`` of the job is another one."""

    def panel(session: Session) -> None:
        place = ui.column().classes("w-full")
        drawn = [shape(session)]

        def follow() -> None:
            now = shape(session)
            if now != drawn[0]:
                drawn[0] = now
                place.clear()
                with place, ui.column().classes("w-full"):
                    build(session)

        with place, ui.column().classes("w-full"):
            build(session)
        with place:
            session.follow(("site",), follow)

    return panel


PANELS = (
    Panel("conditions", conditions, ("units",)),
    Panel("conditions", _renewed(defects, lambda s: s.store.site.defect), ("units",)),
    Panel("crew", crew, ("units",)),
    Panel("gear", gear, ("units",)),
    Panel(
        "trucks",
        _renewed(trucks, lambda s: [t.name for t in s.store.site.haul.trucks]),
        ("units",),
    ),
    Panel("limits", limits, ("units",)),
)
