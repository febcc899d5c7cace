"""Densities: ranges that can be, what the table knows, and a mass worked by hand."""

from __future__ import annotations

import pytest

from geomcheck.errors import InputError
from geomcheck.project.entries import PartEntry
from geomcheck.standards.densities import densities, density


def test_rows_are_possible():
    assert len({row.material for row in densities()}) == len(densities())
    for row in densities():
        assert 0.9 < row.low <= row.high < 8.1


def test_a_block_of_cast_aluminium():
    # 100 x 100 x 10 mm of A356: 0.267 to 0.269 kg (2.67 to 2.69 g/cm3, from memory).
    row = density("Al 356.0 (A356)")
    assert (row.low * 100.0, row.high * 100.0) == pytest.approx((267.0, 269.0))


def test_a_material_nobody_knows_is_refused():
    with pytest.raises(InputError, match="unobtainium"):
        density("unobtainium")
    with pytest.raises(ValueError, match="unobtainium"):
        PartEntry(name="a", file="a.stl", material="unobtainium")
    assert PartEntry(name="a", file="a.stl", material="ABS").material == "ABS"
