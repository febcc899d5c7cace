"""Damaged inputs for geomcheck, and what may become of them: parts of ``scripts/fuzz.py``."""
