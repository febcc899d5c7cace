"""A project in a folder, checked once; one finding of it, changed or not, by its second route."""

from __future__ import annotations

import json
from collections.abc import Callable
from copy import deepcopy
from pathlib import Path

import pytest
import trimesh
from click.testing import CliRunner

from geomcheck.cli import cli
from geomcheck.project.load import load
from geomcheck.reports.json import from_data, read_result
from geomcheck.verify import Status
from geomcheck.verify.fasten.routes import ROUTES
from geomcheck.verify.figures import figures
from geomcheck.verify.scene import Scene


def keep(found):
    """The finding as it is."""


class Told:
    """A project that was checked, and what its routes say of single findings."""

    def __init__(self, folder: Path, text: str, meshes: dict[str, trimesh.Trimesh], codes) -> None:
        self.folder = folder
        self.project = folder / "project.toml"
        self.project.write_text(text, encoding="utf-8")
        for name, mesh in meshes.items():
            mesh.export(folder / f"{name}.stl")
        asked = [part for code in codes for part in ("--only", code)]
        result = folder / "result.json"
        done = CliRunner().invoke(
            cli, ["check", str(self.project), *asked, "--json", str(result), "--no-cache"]
        )
        assert result.exists(), done.output
        self.data = json.loads(result.read_text("utf-8"))
        self.scene = Scene(load(self.project), read_result(result).findings)

    def finding(self, code: str, subject: str):
        """A finding as JSON, by its check and the name of its bolt."""
        return next(
            one
            for one in self.data["findings"]
            if one["code"] == code and f'"{subject}"' in one["subject"]
        )

    def claims(self, code: str, subject: str, change: Callable = keep, scene: Scene | None = None):
        """The claims on a finding after a change."""
        data = deepcopy(self.data)
        data["findings"] = [deepcopy(self.finding(code, subject))]
        change(data["findings"][0])
        (one,) = from_data(data).findings
        return [*figures(one), *ROUTES[code](scene or self.scene, one)]

    def sound(self, code: str, subject: str, *, but: str = "") -> set[str]:
        """What is claimed, all of it confirmed but for claims left open that hold ``but``."""
        claims = self.claims(code, subject)
        wrong = [c for c in claims if c.status is Status.CONTRADICTED]
        left = [c for c in claims if c.status is Status.OPEN and not (but and but in c.what)]
        assert not wrong and not left, [*wrong, *left]
        return {claim.what for claim in claims}

    def wrong(self, code: str, subject: str, change: Callable) -> set[str]:
        """What is contradicted after a change."""
        claims = self.claims(code, subject, change)
        return {claim.what for claim in claims if claim.status is Status.CONTRADICTED}

    def moved(self, code: str, subject: str, part: str, by) -> set[str]:
        """What is contradicted after a part's mesh was moved under the result."""
        file = self.folder / f"{part}.stl"
        kept = file.read_bytes()
        try:
            trimesh.load(file).apply_translation(by).export(file)
            claims = self.claims(code, subject, scene=Scene(load(self.project), ()))
        finally:
            file.write_bytes(kept)
        return {claim.what for claim in claims if claim.status is Status.CONTRADICTED}


@pytest.fixture(scope="module")
def told(tmp_path_factory):
    """Makes a :class:`Told` from a project's text, its meshes and the checks to run."""

    def make(text: str, meshes: dict[str, trimesh.Trimesh], *codes: str) -> Told:
        return Told(tmp_path_factory.mktemp("bolts"), text, meshes, codes)

    return make
