"""States of the project: valves and blades in another position, and parts left out.

The project's parts stand as they are placed. A state moves some of them on from there, or leaves
them out, for the questions that name it.
"""

from __future__ import annotations

from pydantic import Field, model_validator

from geomcheck.project.places import Place
from geomcheck.project.values import Name, Table


class MovedEntry(Table):
    """What a state does to one part."""

    name: Name = Field(description="of the part")
    place: Place = Field(
        default=Place(),
        description="moves it on from where it stands, in the housing frame: such as "
        "{ turn = [{ axis = [1, 0, 0], angle = 40, about = [0, 0, 120] }] }",
    )
    left_out: bool = Field(default=False, description="true: it is not there in this state")

    @model_validator(mode="after")
    def _one_way(self) -> MovedEntry:
        if self.place.datums:
            raise ValueError("a state moves a part by turns and a move, or by a matrix, not datums")
        if self.left_out == (self.place != Place()):
            raise ValueError("give a place that moves the part, or left_out = true")
        return self


class StateEntry(Table):
    """A position of the moving parts, such as a throttle part-open and a bypass closed."""

    name: Name
    parts: tuple[MovedEntry, ...] = Field(alias="part", min_length=1)
    vehicle: str | None = Field(default=None, description="only in this vehicle")
