"""How texts put together from pieces become sentences."""

from __future__ import annotations


def capital(text: str) -> str:
    """The text with a capital letter first."""
    return text[:1].upper() + text[1:]


def sentence(text: str) -> str:
    """A capital letter first and a full stop or question mark last, where there is text."""
    if not text:
        return ""
    return capital(text) + ("" if text.endswith((".", "?")) else ".")
