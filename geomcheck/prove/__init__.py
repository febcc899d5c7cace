"""Proof of the gate: known faults planted in memory, and what the gate says of each.

The parts are read once. A fault alters one part, or one entry, of an assembly; the gate's own
checks are run on that, and their findings laid beside those of the parts as they are. Nothing is
written, and nothing is recalled from a cache on disk: what is in memory is what is asked about.
"""

from geomcheck.prove.faults import Kind
from geomcheck.prove.prove import MOST, Proof, prove
from geomcheck.prove.telling import Advice
from geomcheck.prove.trial import Outcome, Trial

__all__ = ["MOST", "Advice", "Kind", "Outcome", "Proof", "Trial", "prove"]
