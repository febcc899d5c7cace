"""Every kind of fault on one rig: what is missed is caught once the advice is followed."""

import json

import pytest
from click.testing import CliRunner

from geomcheck.cli import cli
from geomcheck.prove import Kind

#: Kinds that no entry helps against, with why.
WITHOUT = {
    "stale": "there is no repository",
    "left-out": "a baseline of fit-gap would",
    "plug": "the plug's room is asked about already",
}
#: Kinds of which the places that chance chooses here need no advice.
BY_CHANCE = {"shifted", "grown"}
#: Kinds of which each fault on the rig must be caught once what is advised is followed.
ALL = {
    "sunk", "port", "duct", "mirrored", "swapped", "shrunk", "unit", "triangle", "bolt-moved",
    "bolt-tilted", "hole", "hole-moved",
}  # fmt: skip


def proof(file, *more):
    done = CliRunner().invoke(cli, ["prove", str(file), "--most", "100", *more, "--json", "-"])
    assert done.exception is None or isinstance(done.exception, SystemExit), done.exception
    return json.loads(done.output)["faults"]


@pytest.fixture(scope="module")
def replayed(rig_in, follow, tmp_path_factory):
    """Faults of the rig as it asks little, and after all that was advised was followed."""
    file = rig_in(tmp_path_factory.mktemp("rig"))
    before = proof(file)
    rows = {json.dumps(one["add"], sort_keys=True): one["add"] for one in before if one["add"]}
    follow(file, rows.values())
    return before, proof(file)


@pytest.mark.parametrize("kind", [str(kind) for kind in Kind if str(kind) != "stale"])
def test_what_is_advised_catches_it(replayed, kind):
    before, after = ([one for one in rows if one["kind"] == kind] for rows in replayed)
    assert before
    told = {one["fault"]: one for one in after}
    advised = [one for one in before if one["add"] is not None]
    assert bool(advised) == (kind not in WITHOUT) or kind in BY_CHANCE
    for one in advised:
        assert one["outcome"] == "not caught"
        assert told[one["fault"]]["outcome"] == "caught", (one, told[one["fault"]])
    if kind in ALL:
        assert {one["outcome"] for one in after} == {"caught"}


def test_one_entry_holds_all_that_belongs_to_a_part(replayed):
    before, _ = replayed
    under = {}
    for one in before:
        if one["add"] is not None and one["add"]["under"] is not None:
            under.setdefault(one["add"]["under"], set()).add(one["add"]["text"])
    assert len(under) > 4
    assert all(len(texts) == 1 for texts in under.values())


def test_what_gets_through_is_told_with_what_is_kept(replayed):
    _, after = replayed
    left = [one for one in after if one["outcome"] != "caught"]
    assert left
    for one in left:
        assert one["add"] is None
        assert one["said"]
        assert one["requirements_kept"] or one["kind"] in ("left-out", "bolt-length")


def test_a_part_shifted_towards_another_is_caught_with_a_baseline(rig, follow):
    file = rig()
    for seed in range(20):
        told = [
            one
            for one in proof(file, "--fault", "shifted", "--seed", str(seed))
            if one["target"] == "bonnet" and one["fault"].endswith("-z")
        ]
        if told:
            break
    (before,) = told
    assert before["requirements_kept"]
    assert "25.00 mm, was 26.00; at least 5 is required" in before["said"]
    follow(file, [before["add"]])
    after = proof(file, "--fault", "shifted", "--seed", str(seed))
    assert {one["fault"]: one["outcome"] for one in after}[before["fault"]] == "caught"
