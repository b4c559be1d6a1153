"""Mark the site in 3-D: a tap on the scan gives a corner, or the height of what is marked."""

from __future__ import annotations

from functools import partial
from typing import Any

from nicegui import background_tasks, run, ui

from treescan.errors import TreescanError
from treescan.page.controls import refuse, small, words
from treescan.page.device import units
from treescan.page.quantities import LENGTH
from treescan.page.session import Session
from treescan.page.site_drawing import MapPanel
from treescan.page.view import Scenes, TreeView, scenes_of
from treescan.page.view_looks import Shown, looks, plan_cuts
from treescan.page.view_pick import PickedPlace, Ray, pick_ground, pick_point, picked_place
from treescan.page.view_scene import ViewScene, eye_places

LOOKS = {"front": "Front", "plan": "Above", "ground": "Ground"}


class SiteView:
    """The 3-D view of the site step; taps go to the mark under way on the plan picture."""

    def __init__(self, scenes: Scenes, scene: ViewScene, mark: str, panel: MapPanel) -> None:
        self.scenes, self.scene, self.panel, self.system = scenes, scene, panel, units()
        self.view = TreeView(mark, "The site in 3-D. Tap a scan point to mark it.")
        self.view.classes("w-full").mark("site-view")
        self.view.on_tap(self.tapped)
        with ui.element("div").classes("ts-pick").props('role=group aria-label="Look from"'):
            for key, word in LOOKS.items():
                small(word, partial(self.look, key))
        self.place = ui.column().classes("w-full").props("aria-live=polite").mark("site-place")
        with self.place:
            words("Drag to turn, pinch to come nearer. Tap a scan point.")
        given, _ = looks(scene, plan_cuts(scene), Shown(colouring="wood"))
        self.view.tell("setLooks", given)
        self.look("front")

    def look(self, key: str) -> None:
        """Look from a named place."""
        eye, to = eye_places(self.scene, None, None)[key]
        self.view.tell("look", eye, to, key != "ground")

    async def tapped(self, told: Any) -> None:
        """Offer what was tapped as a corner or a height."""
        ray = Ray.of(told)
        found = None if ray is None else await run.io_bound(self._picked, ray)
        if found is None or self.place.is_deleted:
            return
        text = f"{LENGTH.text(max(found.height_m, 0.0), self.system)} above the ground"
        at = [round(float(v), 3) for v in found.local_m]
        self.view.tell("setMark", {"at": at, "text": text})
        self.place.clear()
        with self.place:
            words(("Scan point, " if found.on == "scan" else "Ground, ") + text)
            with ui.row().classes("w-full no-wrap"):
                small("Corner here", partial(self._corner, found)).mark("corner-here")
                if self.panel.takes_height():
                    small(f"Height: {text.split(' above')[0]}", partial(self._height, found)).mark(
                        "height-here"
                    )

    def _picked(self, ray: Ray) -> PickedPlace | None:
        point = pick_point(self.scenes.store.points(), ray)
        if point is not None:
            return picked_place(self.scene, point, "scan")
        ground = pick_ground(self.scene.job.survey.ground, ray)
        return None if ground is None else picked_place(self.scene, ground, "ground")

    def _corner(self, found: PickedPlace) -> None:
        x, y, z = (float(v) for v in found.scan_m)
        self.panel.add_place(x, y, z)

    def _height(self, found: PickedPlace) -> None:
        self.panel.set_height(found.height_m)


def site_view(session: Session, panel: MapPanel) -> None:
    """A button that opens the 3-D view below it."""
    place = ui.column().classes("w-full")

    async def draw() -> None:
        scenes = scenes_of(session)
        try:
            mark, scene = await run.io_bound(scenes.now)
        except TreescanError as error:
            with place:
                refuse(str(error))
            return
        if scene is None or place.is_deleted:
            return
        place.clear()
        with place:
            SiteView(scenes, scene, mark, panel)

    def opened() -> None:
        place.clear()
        with place:
            words("Reading the scan …")
        background_tasks.create(draw(), name="site in 3-D")

    with place:
        small("Mark in 3-D", opened).classes("w-full").mark("open-3d")
