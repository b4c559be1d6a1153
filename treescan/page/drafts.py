"""Marks under way, kept for each device: reload, sleep or a killed server loses no corner."""

from __future__ import annotations

import contextlib
import json
from pathlib import Path
from typing import Any

from treescan.errors import OutputError
from treescan.page.files import write_whole
from treescan.page.marking import Draft

FILE = "drafts.json"
MOST_DEVICES = 40


class Drafts:
    """Drafts of a job, by device and step."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / FILE
        try:
            data = json.loads(self.path.read_text(encoding="utf-8"))
        except (OSError, ValueError):
            data = {}
        self.kept: dict[str, dict[str, Any]] = data if isinstance(data, dict) else {}

    def of(self, device: str, step: str) -> Draft:
        """Draft of a device in a step; an empty one when there is none."""
        data = self.kept.get(f"{device} {step}")
        return Draft.from_dict(data) if isinstance(data, dict) else Draft()

    def keep(self, device: str, step: str, draft: Draft) -> None:
        """Keep a draft.  A full disk is no reason to stop drawing: it stays in memory."""
        key = f"{device} {step}"
        self.kept.pop(key, None)
        if draft.corners or draft.values:
            self.kept[key] = draft.as_dict()
        for old in list(self.kept)[:-MOST_DEVICES]:
            del self.kept[old]
        with contextlib.suppress(OutputError):
            write_whole(self.path, json.dumps(self.kept))
