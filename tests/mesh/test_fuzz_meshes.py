"""Damaged mesh files, a few of each kind; ``scripts/fuzz.py`` feeds any number.

Each is refused with one clear line, or every triangle is read as a second, simple reader has it.
"""

import collections
import importlib
import random
import sys
import warnings
from pathlib import Path

import pytest

SCRIPTS = str(Path(__file__).resolve().parents[2] / "scripts")


@pytest.fixture(scope="module")
def meshes():
    sys.path.insert(0, SCRIPTS)
    try:
        return importlib.import_module("fuzzing.meshes")
    finally:
        sys.path.remove(SCRIPTS)


KINDS = ["stl-binary", "stl-ascii", "obj", "ply-ascii", "ply-binary", "3mf"]


def test_every_kind_is_here(meshes):
    assert set(KINDS) == set(meshes.SEEDS)


@pytest.mark.parametrize("kind", KINDS)
def test_undamaged_files_are_read_whole(meshes, tmp_path, kind):
    suffix, content = meshes.SEEDS[kind]
    file = tmp_path / f"input{suffix}"
    file.write_bytes(content)
    assert meshes.judge(file, content) == "read, the same shape"


@pytest.mark.parametrize("kind", KINDS)
def test_damaged_files(meshes, tmp_path, kind):
    outcomes = collections.Counter()
    for number in range(300):
        suffix, content = meshes.make(random.Random(f"{kind}/test/{number}"), kind)
        file = tmp_path / f"input{suffix}"
        file.write_bytes(content)
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            outcomes[meshes.judge(file, content)] += 1
    # Damage that is never noticed, or files that are never read, would test nothing.
    assert outcomes["refused"] > 100
    assert outcomes["read, the same shape"] > 0
    assert outcomes["read, not compared"] < 15


def test_the_judge_notices_a_lost_triangle(meshes, tmp_path, monkeypatch):
    from dataclasses import replace

    suffix, content = meshes.SEEDS["stl-binary"]
    file = tmp_path / f"input{suffix}"
    file.write_bytes(content)
    load = meshes.load_part

    def lossy(*given, **more):
        part = load(*given, **more)
        return replace(part, faces=part.faces[1:])

    monkeypatch.setattr(meshes, "load_part", lossy)
    with pytest.raises(AssertionError, match="11 triangles read"):
        meshes.judge(file, content)
