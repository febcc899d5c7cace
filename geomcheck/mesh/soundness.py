"""Closed, open or soup (stub, being written)."""
from __future__ import annotations
from dataclasses import dataclass
from typing import Literal

@dataclass(frozen=True)
class Soundness:
    """Class of a mesh."""
    kind: Literal["closed", "open", "soup"]
