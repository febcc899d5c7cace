"""The project file, read and understood."""

from geomcheck.project.assembly import Assembly
from geomcheck.project.load import Project, load

__all__ = ["Assembly", "Project", "load"]
