"""Proof of the gate: known faults planted in memory, and what the gate says of each."""
