"""What changed between two results of the same project."""
