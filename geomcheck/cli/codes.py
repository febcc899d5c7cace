"""Exit codes, as the help of the commands tells them."""

from __future__ import annotations

EXIT_CODES = """\b
Exit codes:
  0  every question was decided and passed (or validly waived)
  1  something failed
  2  the project file or another input is wrong
  3  nothing was checked
  4  something could not be decided
"""
