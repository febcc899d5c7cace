"""A small project checked once, and its result changed and re-checked."""

import json
import shutil

import pytest

from geomcheck import gate
from geomcheck.project.load import load
from geomcheck.reports.json import from_data, read_result, to_data, to_json
from geomcheck.verify import Status, recheck
from geomcheck.verify.claims import Recheck
from geomcheck.verify.recheck import _claims
from geomcheck.verify.scene import Scene


class Checked:
    """A folder with ``project.toml``, its meshes and ``result.json``."""

    def __init__(self, folder, text, meshes):
        self.folder = folder
        (folder / "project.toml").write_text(text, encoding="utf-8")
        for name, mesh in meshes.items():
            mesh.export(folder / f"{name}.stl")
        run = gate.run(load(folder / "project.toml"))
        (folder / "result.json").write_text(to_json(run.result), encoding="utf-8")
        self.data = to_data(run.result)

    def finding(self, code, subject, data=None):
        """The first finding of a check whose subject holds some words."""
        rows = (self.data if data is None else data)["findings"]
        return next(f for f in rows if f["code"] == code and subject in f["subject"])

    def report(self):
        """The honest result, re-checked."""
        return recheck(self.folder / "result.json", self.folder / "project.toml")

    def tampered(self, tmp_path, change):
        """The result with ``change(data)`` made to it, its counts put right, re-checked whole."""
        copy = self._copy(tmp_path, change, {})
        return recheck(copy / "result.json", copy / "project.toml")

    def wrong(self, tmp_path, code, subject, change, meshes=()):
        """Claims contradicted of a finding once it is changed by ``change(finding)``."""

        def here(data):
            change(self.finding(code, subject, data))

        copy = self._copy(tmp_path, here, dict(meshes))
        told = read_result(copy / "result.json")
        scene = Scene(load(copy / "project.toml"), told.findings)
        one = next(f for f in told.findings if f.code == code and subject in f.subject)
        claims = Recheck(one, tuple(_claims(scene, one))).claims
        return {claim.what for claim in claims if claim.status is Status.CONTRADICTED}

    def _copy(self, tmp_path, change, meshes):
        copy = tmp_path / "copy"
        shutil.copytree(self.folder, copy)
        data = json.loads((copy / "result.json").read_text("utf-8"))
        change(data)
        data = to_data(from_data(data))
        (copy / "result.json").write_text(json.dumps(data), encoding="utf-8")
        for name, mesh in meshes.items():
            mesh.export(copy / f"{name}.stl")
        return copy


@pytest.fixture(scope="session")
def check_project():
    """Make a folder with a project and its result: ``check_project(folder, text, meshes)``."""
    return Checked
