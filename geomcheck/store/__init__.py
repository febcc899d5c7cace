"""Answers kept on disk by content, so that what did not change is not asked again."""

from geomcheck.store.folder import Store, open_store

__all__ = ["Store", "open_store"]
