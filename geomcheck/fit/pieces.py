"""Which triangles of two bodies are measured against which."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from geomcheck.fit.body import Body, BoolArray, FloatArray, IntArray
from geomcheck.mesh.query import near_masks
from geomcheck.mesh.tree import TriangleTree


@dataclass(frozen=True, eq=False)
class Piece:
    """Some of a body's triangles, perhaps cut.

    Parameters
    ----------
    triangles : (k, 3, 3) float64
        mm.
    parent : (k,) int64
        The body's triangle each one is (part of).
    """

    triangles: FloatArray
    parent: IntArray

    def __len__(self) -> int:
        return len(self.parent)

    @classmethod
    def whole(cls, body: Body) -> Piece:
        """All of a body, sharing its tree."""
        piece = cls(body.triangles, np.arange(len(body.faces), dtype=np.int64))
        piece.__dict__["tree"] = body.tree
        return piece

    @cached_property
    def tree(self) -> TriangleTree:
        """Tree over the triangles."""
        return TriangleTree(self.triangles)

    def take(self, mask: BoolArray) -> Piece:
        """The triangles where ``mask`` is true."""
        if mask.all():
            return self
        return Piece(np.ascontiguousarray(self.triangles[mask]), self.parent[mask])


@dataclass(frozen=True, eq=False)
class Pairing:
    """What of two bodies is measured: every pair of triangles of every block.

    Parameters
    ----------
    blocks : tuple of (Piece, Piece)
        Their products together hold every pair that is not excluded; a pair may occur twice.
    free_a, free_b : Piece
        What is not excluded against anything; empty pieces are possible.
    everything : bool
        Nothing is excluded.
    """

    blocks: tuple[tuple[Piece, Piece], ...]
    free_a: Piece
    free_b: Piece
    everything: bool = False

    @classmethod
    def whole(cls, a: Body, b: Body) -> Pairing:
        """Everything against everything."""
        pa, pb = Piece.whole(a), Piece.whole(b)
        return cls(((pa, pb),), pa, pb, everything=True)

    def near(self, a: Body, b: Body, distance: float) -> tuple[BoolArray, BoolArray]:
        """Triangles of each body with a measured partner within ``distance`` (mm)."""
        mask_a = np.zeros(len(a.faces), dtype=bool)
        mask_b = np.zeros(len(b.faces), dtype=bool)
        for piece_a, piece_b in self.blocks:
            near_a, near_b = near_masks(piece_a.tree, piece_b.tree, distance)
            mask_a[piece_a.parent[near_a]] = True
            mask_b[piece_b.parent[near_b]] = True
        return mask_a, mask_b


def pair_off(a: Piece, flags_a: IntArray, b: Piece, flags_b: IntArray) -> Pairing:
    """Blocks of all pairs except those that share a flag.

    Parameters
    ----------
    a, b : Piece
    flags_a, flags_b : (k,) int64
        Bit ``i`` says that the triangle may be left out against the other side's triangles with
        the same bit.
    """
    blocks: list[tuple[Piece, Piece]] = []
    for flag in _distinct(flags_a):
        partners = (flags_b & flag) == 0
        if partners.any():
            blocks.append((a.take(flags_a == flag), b.take(partners)))
    return Pairing(tuple(blocks), a.take(flags_a == 0), b.take(flags_b == 0))


def _distinct(flags: IntArray) -> Iterable[int]:
    return [int(flag) for flag in np.unique(flags)]
