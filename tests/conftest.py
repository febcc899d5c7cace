"""Shared by all tests: none reads or writes the cache of whoever runs them."""

import os

os.environ["GEOMCHECK_CACHE"] = "off"
