"""What a run found, in one form each; every writer takes a ``Result`` and nothing more."""
