"""The project file of the demo's later revision, made from that of the earlier one.

The two differ in a few lines; all others are carried over, so that they cannot drift apart.
"""

from __future__ import annotations

HEAD = (
    """\
# A geomcheck project file: one casting, the parts that go with it, and two vehicles it must fit.
# Check it with:   geomcheck check meshes/demo/project.toml --html demo.html
#
# This is the earlier of two revisions, B; the later one, C, stands in project_c.toml, which
# scripts/make_meshes.py makes from this file.
""",
    """\
# Revision C of the demo. Made from project.toml by scripts/make_meshes.py: change that file, or
# the script's list of what differs (scripts/demo_project.py), not this one.
# Check it with:   geomcheck check meshes/demo/project_c.toml --html demo_c.html
""",
)

#: What stands in the earlier revision's file, once each, and what in the later one's.
CHANGES = (
    HEAD,
    ("truths.toml gives", "truths_c.toml gives"),
    ("blower housing, revision B", "blower housing, revision C"),
    ('file = "housing.stl"', 'file = "housing_c.stl"'),
    ("size = [435.1, 250.0, 168.0]", "size = [435.1, 250.0, 163.0]"),
    ("on_surface = [[276.0, 0.0, 168.0],", "on_surface = [[276.0, 0.0, 163.0],"),
    # the pillar of M5 is 15 lower, its screw 15 shorter
    ("at = [296.0, 110.0, 45.0]", "at = [296.0, 110.0, 30.0]"),
    (
        """\
at = [296.0, 110.0, 30.0]
axis = [0, 0, 1]
size = "M8"
head = "ISO 4762"
length = 60
""",
        """\
at = [296.0, 110.0, 30.0]
axis = [0, 0, 1]
size = "M8"
head = "ISO 4762"
length = 45
""",
    ),
    # no tool reaches M10 under the inlet duct: given up, nine screws hold
    (
        """\
[[fastener]]
name = "M10"  # under the inlet duct
part = "housing"
at = [30.0, -106.0, 15.0]
axis = [0, 0, 1]
size = "M8"
head = "ISO 4762"
length = 30

""",
        "",
    ),
    # the rear bolt no longer bottoms
    (
        """\
length = 16
into = "housing"          # the part""",
        """\
length = 12
into = "housing"          # the part""",
    ),
    (
        """\
cable = 10.0
""",
        """\
cable = 10.0
when = "first"            # before the housing goes down
""",
    ),
)


def later(text: str) -> str:
    """The later revision's project file; refuses a text in which a change has no one place."""
    for before, after in CHANGES:
        if text.count(before) != 1:
            raise ValueError(f"stands {text.count(before)} times, not once: {before}")
        text = text.replace(before, after)
    return text
