"""The 3-D view as an element of the page, and the routes that hand out what it draws."""

from __future__ import annotations

import inspect
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from threading import Lock
from typing import Any

from fastapi import HTTPException
from fastapi.responses import JSONResponse, Response
from nicegui import app, run, ui
from nicegui.element import Element
from nicegui.elements.scene import Scene

from treescan.errors import TreescanError
from treescan.page.session import Session
from treescan.page.view_pick import PointStore
from treescan.page.view_points import FOLDER, PointSource, part_of_block
from treescan.page.view_scene import ViewScene, read_scene

Json = dict[str, Any]
ROUTE = "/view"
THREE = Path(inspect.getfile(Scene)).parent / "dist"
"""three.js as NiceGUI brings it along: nothing is asked from outside."""
SCRIPTS = Path(__file__).parent / "scripts"

AS_IT_IS = {"cache-control": "private, max-age=86400", "content-encoding": "identity"}


class TreeView(  # type: ignore[call-arg]
    Element,
    component="view.js",
    esm={"nicegui-scene": str(THREE), "treescan-scripts": str(SCRIPTS)},
    default_classes="tsv-box",
):
    """The tree, the scan and what stands around, to turn, tap and read.

    Parameters
    ----------
    mark : str
        Changes with the result shown, so that a browser keeps nothing old.
    said : str
        What a screen reader says of the view.
    ways : bool
        Whether pieces come down in it, so that their ways can be played.
    """

    def __init__(self, mark: str, said: str, *, ways: bool = False) -> None:
        super().__init__()
        self._props["source"] = ROUTE
        self._props["mark"] = mark
        self._props["said"] = said
        self._props["ways"] = ways
        self._kept: dict[str, tuple[Any, ...]] = {}
        self.ready = False
        self._answered = 0
        self.on("ready", self._when_ready)

    def tell(self, method: str, *values: Any) -> None:
        """Ask the view for something; said again when the view is put up anew."""
        self._kept[method] = values
        if self.ready:
            self.run_method(method, *values)

    def _when_ready(self) -> None:
        self.ready = True
        for method, values in self._kept.items():
            self.run_method(method, *values)

    def answered(self) -> None:
        """Note that what a tap means has been said."""
        self._answered += 1
        self.props["data-answered"] = str(self._answered)

    def on_tap(self, action: Callable[[Json], Any]) -> None:
        """Call ``action`` with the ray of every tap."""
        self.on("tap", lambda event: action(event.args))


@dataclass
class Scenes:
    """Scenes of the one job, read when first asked for and kept until the result changes."""

    session: Session
    points: PointSource
    store: PointStore
    lock: Lock = field(default_factory=Lock)
    mark: str = ""
    scene: ViewScene | None = None

    def now(self) -> tuple[str, ViewScene | None]:
        """Mark and scene of the newest result; no scene when there is none.

        Raises
        ------
        InvalidInputError
            If the result cannot be read.
        """
        with self.lock:
            mark = self.result_mark()
            if mark != self.mark:
                folder = self.session.store.result_folder()
                site = self.session.store.folder / "site.toml"
                self.scene = read_scene(folder, site) if folder is not None else None
                self.mark = mark
            return mark, self.scene

    def result_mark(self) -> str:
        """Text that changes with the result and the site; "" without a result."""
        folder = self.session.store.result_folder()
        if folder is None:
            return ""
        files = (
            folder / "tree.json",
            folder / "plan.json",
            self.session.store.folder / "site.toml",
        )
        facts = [path.stat() for path in files if path.is_file()]
        return "-".join(f"{f.st_mtime_ns:x}{f.st_size:x}" for f in facts)


_scenes: list[Scenes] = []


def scenes_of(session: Session) -> Scenes:
    """The one keeper of scenes of a session."""
    for scenes in _scenes:
        if scenes.session is session:
            return scenes
    store = session.store
    _scenes.append(Scenes(session, PointSource(store.folder), PointStore(store.folder)))
    return _scenes[-1]


def install_view(session: Session) -> None:
    """Put up the routes that hand out what the view draws of a session's job."""
    scenes = scenes_of(session)
    app.on_startup(partial(_read_ahead, scenes))
    app.on_shutdown(scenes.points.close)
    ui.add_css((Path(__file__).parent / "view.css").read_text(encoding="utf-8"), shared=True)

    @app.get(f"{ROUTE}/scene.json")
    def words() -> Response:
        return JSONResponse(_scene(scenes).document, headers={"cache-control": "private"})

    @app.get(f"{ROUTE}/scene.bin")
    def block() -> Response:
        return Response(
            _scene(scenes).block, media_type="application/octet-stream", headers=AS_IT_IS
        )

    @app.get(f"{ROUTE}/points.json")
    def about() -> Response:
        folder = scenes.session.store.result_folder()
        if folder is None:
            raise HTTPException(404)
        scans = scenes.session.store.state.get("scans", ())
        told = scenes.points.about(list(scans), folder / "tree.json")
        return JSONResponse(told, headers={"cache-control": "no-store"})

    @app.get(f"{ROUTE}/points/{{first}}/{{many}}")
    def points(first: int, many: int) -> Response:
        data = part_of_block(scenes.session.store.folder / FOLDER, first, many)
        if data is None:
            raise HTTPException(404)
        return Response(data, media_type="application/octet-stream", headers=AS_IT_IS)


async def _read_ahead(scenes: Scenes) -> None:
    """Read the scene before anybody asks; what cannot be read is told when somebody does."""
    with suppress(TreescanError):
        await run.io_bound(scenes.now)


def _scene(scenes: Scenes) -> ViewScene:
    scene = scenes.now()[1]
    if scene is None:
        raise HTTPException(404)
    return scene
