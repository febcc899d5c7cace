"""``python -m geomcheck`` is the command line."""

from geomcheck.cli import main

main()
