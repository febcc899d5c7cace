"""The README's Python example runs, and its tables name what exists."""

import doctest
import re
from pathlib import Path

from geomcheck import gate

README = Path(__file__).parent.parent / "README.md"


def test_the_python_example_runs():
    failures, tried = doctest.testfile(str(README), module_relative=False)
    assert (failures, tried > 0) == (0, True)


def test_every_check_is_named():
    text = README.read_text(encoding="utf-8")
    named = set(re.findall(r"^\| `([a-z-]+)` \|", text, flags=re.MULTILINE))
    assert named == set(gate.discover())


def test_pictures_and_links_exist():
    text = README.read_text(encoding="utf-8")
    for target in re.findall(r"\]\(([^)]+)\)", text):
        assert (README.parent / target).exists(), target
